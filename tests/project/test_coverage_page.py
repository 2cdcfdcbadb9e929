"""The table of measured coverage: its arithmetic is right, and every row that falls short says why."""

import re

import coverage_page
import pytest
from scipy import stats

ROWS = coverage_page.read()
SIDES = {"exact": "two-sided", "at least": "less", "at most": "greater"}


def test_every_row_is_its_counts() -> None:
    for row in ROWS:
        found = stats.binomtest(int(row["hits"]), int(row["runs"]), float(row["nominal"]), SIDES[row["promise"]])
        low, high = stats.binomtest(int(row["hits"]), int(row["runs"])).proportion_ci(0.99)
        assert float(row["measured"]) == pytest.approx(found.statistic, abs=5e-5)
        assert (float(row["low99"]), float(row["high99"])) == pytest.approx((low, high), abs=5e-5)
        # The worst of several rows has p times their number.
        assert float(row["p"]) >= 0.9 * min(1.0, float(found.pvalue))
        assert (row["verdict"] == "as stated") == (float(row["p"]) >= 0.001)


def test_every_short_row_has_a_reason_and_every_reason_a_short_row() -> None:
    short = [row for row in ROWS if row["verdict"] == "short"]
    assert [row["what"] for row in short if not coverage_page.reasons_of(row)] == []
    used = {reason for row in short for reason in coverage_page.reasons_of(row)}
    assert [reason.rows for reason in coverage_page.REASONS if reason not in used] == []


@pytest.mark.parametrize("family", coverage_page.FAMILIES, ids=lambda f: f.name)
def test_what_a_laboratory_asks_first_was_tried_2000_times(family: coverage_page.Family) -> None:
    own = [row for row in ROWS if row["area"] == family.area and re.search(family.rows, row["what"])]
    assert own
    assert {row["runs"] for row in own} == {"2000"}


def test_every_area_names_its_commit_day_and_machine() -> None:
    assert {row["area"] for row in ROWS} == set(coverage_page.WORDS)
    for row in ROWS:
        assert re.fullmatch(r"[0-9a-f]{10}", row["commit"])
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", row["date"])
        assert "NumPy" in row["machine"]
