"""The invented study: the same seed gives the same tables, every table says that it is invented, its truth is in it."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from stanch.virtual.laboratory import TABLES, as_csv

BY_NAME = {table.name: table for table in TABLES}


@pytest.mark.parametrize("name", BY_NAME)
def test_every_table_is_whole_and_says_that_it_is_invented(name: str) -> None:
    table = BY_NAME[name]
    text = as_csv(table.columns(7), table.about)
    lines = text.splitlines()
    assert "Demo data" in lines[0]
    assert lines[1] == f"# {table.about}"
    rows = list(csv.reader(lines[2:]))
    assert len(rows) > 6
    assert {len(row) for row in rows} == {len(rows[0])}


def test_the_seed_and_the_name_decide_the_table() -> None:
    table = BY_NAME["two_lots"]
    assert table.columns(1) == table.columns(1)
    assert table.columns(1) != table.columns(2)


def _floats(name: str, column: str, seed: int = 3) -> np.ndarray:
    return np.array(BY_NAME[name].columns(seed)[column], dtype=float)


def test_the_built_in_scatter_is_there() -> None:
    gel = np.log(_floats("control_gel_20_days", "plateau_pa")).reshape(40, 2)
    within = float(np.sqrt(((gel[:, 0] - gel[:, 1]) ** 2 / 2).mean()))
    # 40 pairs: the standard deviation is known to 11 %; 0.034 was put in.
    assert within == pytest.approx(0.034, rel=0.45)


def test_the_new_lot_is_slower_by_what_was_put_in() -> None:
    ratios = [np.log(_floats("two_lots", "new_lot_min", s) / _floats("two_lots", "old_lot_min", s)) for s in range(20)]
    # 520 pairs of scatter 0.03 * sqrt(2) each.
    assert np.mean(ratios) == pytest.approx(0.02, abs=4 * 0.03 * np.sqrt(2 / 520))


def test_wells_that_were_not_waited_for_carry_a_bound() -> None:
    cells = [c for seed in range(4) for c in BY_NAME["volunteers"].columns(seed)["onset_min"]]
    assert {c for c in cells if isinstance(c, str)} == {">4.2"}
    assert max(c for c in cells if isinstance(c, float)) <= 4.2
