"""Tables of a verification for readers: numbers rounded, remarks as numbered notes, wide tables in parts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from stanch.report.numbers import UNIT_SHOWN, shown
from stanch.verify.records import Bounded, Cell, Grid

__all__ = ["CellView", "TableView", "interval_text", "tables", "unit_text"]

SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
# What fits on a sheet of A4 and in a window of 1200 pixels, in pixels of the window.
WIDEST = 1040.0
SHOWN, CUT_BEYOND, MOST_ROWS = 24, 30, 500


@dataclass(frozen=True)
class CellView:
    """One cell of a table: its text, the number of its note, and whether it is a number."""

    text: str
    mark: str = ""
    numeric: bool = False


@dataclass(frozen=True)
class TableView:
    """A table as a reader sees it.

    Parameters
    ----------
    title : str
    columns : tuple of str
    rows : tuple of tuple of CellView
        Those shown at once.
    rest : tuple of tuple of CellView
        Those shown on demand.
    more : str
        How many are shown neither here nor there; empty for none.
    remarks : tuple of str
        What the marks of the cells stand for, numbered from 1.
    note : str
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[CellView, ...], ...]
    rest: tuple[tuple[CellView, ...], ...]
    more: str
    remarks: tuple[str, ...]
    note: str

    def texts(self) -> list[tuple[str, ...]]:
        """The cells shown at once as plain text."""
        return [tuple(f"{c.text} ({c.mark})" if c.mark else c.text for c in row) for row in self.rows]


def tables(grid: Grid) -> list[TableView]:
    """A table as readers see it, in as many parts as its width asks for.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of TableView
        Parts of a wide table repeat the columns that name its rows.
    """
    # A column that holds nothing, such as that of the level where there is one level, is not shown.
    used = [k for k in range(len(grid.columns)) if any(row[k] not in (None, "") for row in grid.rows)]
    if 0 < len(used) < len(grid.columns):
        grid = _only(grid, used)
    parts = _parts(grid)
    many = len(parts) > 1
    return [
        _view(
            replace(
                _only(grid, part),
                title=f"{grid.title}, part {k + 1} of {len(parts)}" if many else grid.title,
                note=grid.note if k + 1 == len(parts) else "",
            )
        )
        for k, part in enumerate(parts)
    ]


def unit_text(unit: str) -> str:
    """A unit as readers know it; empty for a plain number."""
    if unit in ("1", "-"):
        return ""
    unit = re.sub(r"\((\w+)\)(?=[\^²³⁻])", r"\1", unit)
    raised = re.sub(r"\^(-?\d+)", lambda found: found[1].translate(SUPERSCRIPT), unit)
    return UNIT_SHOWN.get(unit, raised)


def interval_text(low: str, high: str) -> str:
    """An interval in words; empty for none."""
    if low and high:
        return f"{low} to {high}"
    if low:
        return f"from {low}"
    return f"up to {high}" if high else ""


def _only(grid: Grid, columns: Sequence[int]) -> Grid:
    rows = tuple(tuple(row[k] for k in columns) for row in grid.rows)
    return replace(grid, columns=tuple(grid.columns[k] for k in columns), rows=rows)


def _parts(grid: Grid) -> list[list[int]]:
    """Columns of each part, so that no part is too wide; all columns once, those naming the rows in every part."""
    widths = [_width(_view(_only(grid, [k]))) for k in range(len(grid.columns))]
    if sum(widths) <= WIDEST:
        return [list(range(len(widths)))]
    names = _names(grid)
    room = WIDEST - sum(widths[k] for k in names)
    rest = [k for k in range(len(widths)) if k not in names]
    number = max(2, -(-int(sum(widths[k] for k in rest)) // max(int(room), 1)))
    # Parts of about equal width look better than a full one and a remnant.
    target = sum(widths[k] for k in rest) / number
    parts: list[list[int]] = [[]]
    filled = 0.0
    for k in rest:
        over = filled + widths[k] > room or (filled + widths[k] / 2 > target and len(parts) < number)
        if parts[-1] and over:
            parts.append([])
            filled = 0.0
        parts[-1].append(k)
        filled += widths[k]
    return [[*names, *part] for part in parts]


def _names(grid: Grid) -> list[int]:
    """Leading columns that tell the rows apart, three at most; the first where they do not."""
    for count in range(1, min(4, len(grid.columns))):
        if len({tuple(str(cell) for cell in row[:count]) for row in grid.rows}) == len(grid.rows):
            return list(range(count))
    return [0]


def _width(view: TableView) -> float:
    """About how wide a table is in pixels."""
    total = 0.0
    for k, name in enumerate(view.columns):
        cells = [row[k] for row in view.rows]
        head = 8.9 * max(map(len, re.split(r"[ \-]", name.replace(" %", "_%"))), default=0)
        body = max(
            (8.2 * (len(c.text) + len(c.mark)) if c.numeric else 8.0 * _longest(c.text) for c in cells), default=0
        )
        total += max(head, body) + 14.4
    return total


def _longest(text: str) -> int:
    words = text.split()
    return min(len(text), max([24, *map(len, words)]))


def _view(grid: Grid) -> TableView:
    wide = [_has_interval(row[k] for row in grid.rows) for k in range(len(grid.columns))]
    levels = {c.level for row in grid.rows for c in row if isinstance(c, Bounded) and (c.low, c.high) != (None, None)}
    one = f"{next(iter(levels)) * 100:.4g} % interval" if len(levels) == 1 else "interval"
    columns: list[str] = []
    for k, column in enumerate(grid.columns):
        unit = unit_text(column.unit)
        columns.append(f"{column.name} ({unit})" if unit else column.name)
        if wide[k]:
            columns.append(one if sum(wide) == 1 else f"{column.name}, {one}")
    named = next((k for k, column in enumerate(grid.columns) if column.name == "unit"), None)
    remarks: list[str] = []
    rows = []
    for row in grid.rows[:MOST_ROWS]:
        of_row = "" if named is None else str(row[named] or "")
        cells: list[CellView] = []
        for k, cell in enumerate(row):
            if k == named:
                cells.append(CellView(unit_text(of_row)))
                continue
            cells += _cells(cell, of_row or grid.columns[k].unit, wide[k], len(levels) > 1, remarks)
        rows.append(tuple(cells))
    cut = SHOWN if len(rows) > CUT_BEYOND else len(rows)
    more = f"The first {MOST_ROWS} of {len(grid.rows)} rows; the JSON holds all." if len(grid.rows) > MOST_ROWS else ""
    return TableView(grid.title, tuple(columns), tuple(rows[:cut]), tuple(rows[cut:]), more, tuple(remarks), grid.note)


def _has_interval(cells: Iterable[Cell]) -> bool:
    return any(isinstance(c, Bounded) and (c.low is not None or c.high is not None) for c in cells)


def _cells(cell: Cell, unit: str, wide: bool, levels: bool, remarks: list[str]) -> list[CellView]:
    second = [CellView("", numeric=True)] if wide else []
    if cell is None:
        return [CellView("", numeric=True), *second]
    if isinstance(cell, str):
        return [CellView(cell), *second]
    if isinstance(cell, bool):
        return [CellView("yes" if cell else "no"), *second]
    if isinstance(cell, Bounded):
        mark = _mark(cell.why, remarks)
        if cell.value is None and cell.low is None and cell.high is None:
            return [CellView("not available", mark, True), *second]
        value, low, high = shown(cell.value, cell.low, cell.high)
        own = unit_text(cell.unit)
        own = own if own and own != unit_text(unit) else ""
        interval = interval_text(low, high)
        if levels and interval:
            interval = f"{interval} ({cell.level * 100:.4g} %)"
        text = f"{value} {own}".strip() if value else "no value"
        return [CellView(text, mark, True), *([CellView(interval, numeric=True)] if wide else [])]
    if isinstance(cell, int):
        return [CellView(str(cell), numeric=True), *second]
    return [CellView(shown(float(cell))[0], numeric=True), *second]


def _mark(why: str, remarks: list[str]) -> str:
    """Number of a remark, which is said once under the table however many cells it concerns."""
    if not why:
        return ""
    if why not in remarks:
        remarks.append(why)
    return str(remarks.index(why) + 1)
