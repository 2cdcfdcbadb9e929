"""The tables of the rheology study hold together, and the page says what they hold."""

import math

import pytest
import rheology_page

TABLES = {name: rheology_page.read(name) for name in ("traces", "echoes", "gel_time")}


@pytest.mark.parametrize("name", ["traces", "echoes"])
def test_counts_fit_and_nothing_is_left_out(name: str) -> None:
    rows = TABLES[name]
    for row in rows:
        pushes, usable = int(row["pushes"]), int(row["usable"])
        assert 0 < pushes == 20 * int(row["runs"])
        assert usable <= pushes
        if usable:
            assert 0 <= int(row["storage_covered"]) <= usable
            assert 0 <= int(row["tangent_covered"]) <= usable
            assert all(math.isfinite(float(row[key])) for key in ("storage_bias", "tangent_bias", "storage_scatter"))
        assert 0 <= int(row["push_right"]) <= pushes
        picked = [int(row[f"run_{model}"]) for model in rheology_page.NAMES]
        assert sum(picked) <= int(row["runs"])
        assert int(row["run_right"]) == int(row[f"run_{row['medium']}"])
    combined = {(row["medium"], row["window"], row["model"]) for row in rows}
    names = rheology_page.NAMES
    assert combined == {(m, w, f) for m in names for w in rheology_page.WINDOWS for f in names}


def test_every_row_says_what_it_was_measured_on() -> None:
    for rows in TABLES.values():
        assert all(row["seed"] and row["commit"] and row["date"] and row["machine"] for row in rows)


def test_changes_are_told_as_percent_or_factor() -> None:
    assert rheology_page._change(math.log(1.05)) == "+5.0 %"
    assert rheology_page._change(math.log(0.9)) == "−10.0 %"
    assert rheology_page._change(math.log(3.0)) == "× 3"
    assert rheology_page._change(-50.0) == "below 1/1000"
    assert rheology_page._change(1e4) == "above × 1000"


def test_the_page_holds_every_medium_model_and_window() -> None:
    page = rheology_page.page("head")
    for kind in rheology_page.NAMES.values():
        for window in rheology_page.WINDOWS:
            assert f"| {kind} | {window} |" in page
