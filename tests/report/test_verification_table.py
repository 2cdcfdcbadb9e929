"""Tables of a verification for readers: remarks said once, wide tables in parts, long ones cut and said to be cut."""

from __future__ import annotations

from typing import Any

import pytest

from stanch.report.verification_table import tables
from stanch.verify.records import Bounded, Column, Grid

WHY = "No plateau is positive."


def wide(columns: int = 9, rows: int = 20) -> Grid:
    names = [Column("hold", "min"), *(Column(f"quantity of number {k}", "%") for k in range(columns))]
    cells: Any = [
        (float(j), *(Bounded(j + k / 7, j + k / 8, j + k / 6, "%") for k in range(columns))) for j in range(rows)
    ]
    return Grid("Every hold", tuple(names), tuple(cells), "Judge by the error.")


def test_a_remark_is_said_once_under_the_table() -> None:
    rows = tuple((k, Bounded.missing(WHY if k % 2 else "Other."), Bounded(1.0, why=WHY)) for k in range(6))
    (view,) = tables(Grid("Decisions", (Column("hold"), Column("sensitivity"), Column("kappa")), rows))
    assert view.remarks == ("Other.", WHY)
    assert [row[1].mark for row in view.rows] == ["1", "2"] * 3
    assert {row[2].mark for row in view.rows} == {"2"}
    assert view.texts()[0] == ("0", "not available (1)", "1 (2)")


def test_a_wide_table_comes_in_parts_that_repeat_what_names_the_rows() -> None:
    grid = wide()
    parts = tables(grid)
    assert len(parts) > 1
    assert [one.title for one in parts] == [f"Every hold, part {k + 1} of {len(parts)}" for k in range(len(parts))]
    assert {one.columns[0] for one in parts} == {"hold (min)"}
    rest = [name for one in parts for name in one.columns[1:]]
    assert len(rest) == len(set(rest)) == 18
    assert [one.note for one in parts] == [""] * (len(parts) - 1) + ["Judge by the error."]
    assert all(len(row) == len(one.columns) for one in parts for row in one.rows)
    assert max(len(one.columns) for one in parts) - min(len(one.columns) for one in parts) <= 2


def test_a_table_of_few_columns_is_one() -> None:
    (view,) = tables(wide(3))
    assert view.title == "Every hold"


def test_rows_told_apart_by_two_columns_keep_both_in_every_part() -> None:
    grid = wide()
    columns = (Column("lot"), *grid.columns)
    rows: Any = tuple((lot, *row) for lot in ("A", "B") for row in grid.rows[:3])
    assert {one.columns[:2] for one in tables(Grid("By lot", columns, rows))} == {("lot", "hold (min)")}


@pytest.mark.parametrize(("rows", "shown", "rest", "more"), [(30, 30, 0, ""), (31, 24, 7, ""), (600, 24, 476, "600")])
def test_long_tables_are_cut(rows: int, shown: int, rest: int, more: str) -> None:
    (view,) = tables(Grid("Signals", (Column("row"),), tuple((k,) for k in range(rows))))
    assert (len(view.rows), len(view.rest)) == (shown, rest)
    assert view.more == (f"The first 500 of {more} rows; the JSON holds all." if more else "")


def test_a_unit_in_a_column_of_its_own_is_not_repeated() -> None:
    columns = (Column("quantity"), Column("value"), Column("unit"))
    rows: Any = (("limit", Bounded(4.5, 3.2, 7.7, "mg/L"), "mg/L"), ("slope", Bounded(2.0, unit="Pa^2"), "Pa"))
    (view,) = tables(Grid("Calibration", columns, rows))
    assert view.texts() == [("limit", "4.5", "3.2 to 7.7", "mg/L"), ("slope", "2 Pa²", "", "Pa")]


def test_a_table_without_rows_keeps_its_title_and_note() -> None:
    (view,) = tables(Grid("Signals", (Column("row"), Column("rule")), (), "Nothing was out of control."))
    assert (view.rows, view.note, view.columns) == ((), "Nothing was out of control.", ("row", "rule"))
