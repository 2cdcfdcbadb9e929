"""A table in memory: named columns of text or numbers, with missing and censored cells told apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.records import DataUsed, Excluded

__all__ = ["Numbers", "Table", "Taken", "left_out", "take"]

SMALLEST, LARGEST = 1e-100, 1e100

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Numbers:
    """A column of numbers.

    Parameters
    ----------
    value : ndarray, shape (row,)
        The number, or the bound of a censored one [unit]; NaN where missing.
    below, above : ndarray of bool, shape (row,)
        True where the cell says ``<x`` or ``>x``.
    """

    value: Floats
    below: Flags
    above: Flags

    @property
    def missing(self) -> Flags:
        """Where there is no number at all."""
        return np.isnan(self.value)

    @property
    def censored(self) -> Flags:
        """Where only a bound is known."""
        return self.below | self.above

    @classmethod
    def exact(cls, value: Any) -> Numbers:
        """A column without censored cells."""
        array = np.asarray(value, dtype=np.float64)
        none = np.zeros(array.shape, dtype=bool)
        return cls(array, none, none.copy())


@dataclass(frozen=True)
class Table:
    """Named columns of equal length.

    Parameters
    ----------
    columns : mapping of str to Numbers or ndarray of str
        A column that reads as numbers throughout is `Numbers`; anything else is text, ``""`` where missing.
    source, sha256 : str
        File name and hash; ``arrays`` and empty when handed in from Python.
    notes : tuple of str
        Comment lines of the file.
    demo : bool
        Whether a comment line says that the data are invented (contains ``demo data``).
    text : mapping of str to ndarray of str
        The cells as written, where a column read as numbers is wanted as names (run 1, run 2).
    """

    columns: Mapping[str, Numbers | NDArray[np.str_]]
    source: str = "arrays"
    sha256: str = ""
    notes: tuple[str, ...] = ()
    demo: bool = False
    text: Mapping[str, NDArray[np.str_]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len({_length(c) for c in self.columns.values()}) > 1:
            lengths = {name: _length(c) for name, c in self.columns.items()}
            raise InputError(f"columns of {self.source}", got=lengths, allowed="columns of equal length")

    @classmethod
    def of(cls, columns: Mapping[str, Any], *, source: str = "arrays", demo: bool = False) -> Table:
        """A table from plain arrays or lists; None and NaN are missing, texts are read as the cells of a file are.

        Parameters
        ----------
        columns : mapping of str to array_like
        source : str
        demo : bool

        Returns
        -------
        Table

        Examples
        --------
        >>> Table.of({"day": ["1", "2"], "result": [3.0, None]}).rows
        2
        """
        from stanch.verify.cells import decoded, numbers_of

        made: dict[str, Numbers | NDArray[np.str_]] = {}
        text: dict[str, NDArray[np.str_]] = {}
        for name, given in columns.items():
            if isinstance(given, Numbers):
                made[name] = given
                continue
            array = np.asarray(given)
            if array.ndim != 1:
                raise InputError(f"column {name} of {source}", got=f"{array.ndim} dimensions", allowed="one dimension")
            if array.dtype.kind in "fiub":
                made[name] = Numbers.exact(array)
                continue
            cells = array.tolist()
            if all(x is None or isinstance(x, int | float | np.number) for x in cells):
                made[name] = Numbers.exact([np.nan if x is None else float(x) for x in cells])
                continue
            written = np.array(["" if _nothing(x) else str(x).strip() for x in cells], dtype=np.str_)
            encoded = np.char.encode(written, "utf-8")
            numbers = numbers_of(encoded)
            made[name] = decoded(encoded) if numbers is None else numbers
            if numbers is not None:
                text[name] = written
        return cls(made, source=source, demo=demo, text=text)

    @property
    def rows(self) -> int:
        """How many."""
        return _length(next(iter(self.columns.values()))) if self.columns else 0

    def _column(self, name: str) -> Numbers | NDArray[np.str_]:
        if name not in self.columns:
            raise InputError(
                f"column {name} of {self.source}",
                got="no such column",
                allowed=", ".join(self.columns) or "a table with columns",
                do="Name one of these.",
            )
        return self.columns[name]

    def numbers(self, name: str) -> Numbers:
        """A column as numbers.

        Raises
        ------
        InputError
            If there is no such column or a cell of it is not a number.
        """
        column = self._column(name)
        if isinstance(column, Numbers):
            return column
        from stanch.verify.cells import first_not_a_number

        row = first_not_a_number(column)
        raise InputError(
            f"column {name} of {self.source}, row {row + 1}",
            got=str(column[row]),
            allowed="a number, <x, >x or an empty cell",
            do="Correct the cell, name another column, or say --decimal if the mark is the trouble.",
        )

    def labels(self, name: str) -> NDArray[np.str_]:
        """A column as names; a whole number is written without a decimal point; ``""`` where missing."""
        column = self._column(name)
        if not isinstance(column, Numbers):
            return column
        if name in self.text:
            return self.text[name]
        # Each different number is written once: columns of names repeat, and the longest name sets the width of all.
        different, place = np.unique(column.value + 0.0, return_inverse=True)
        kept = different[~np.isnan(different)]
        if bool((np.isfinite(kept) & (np.abs(kept) < 2.0**53) & (kept == np.round(kept))).all()):
            names = [str(v) for v in kept.astype(np.int64).tolist()]
        else:
            names = [repr(v) for v in kept.tolist()]
        return np.array([*names, ""], dtype=np.str_)[place.reshape(-1)]


@dataclass(frozen=True)
class Taken:
    """The rows a protocol works on.

    Parameters
    ----------
    numbers : mapping of str to ndarray
        Values of the rows in use [unit]; for a censored cell its bound.
    below, above : mapping of str to ndarray of bool
        Which of them are bounds.
    labels : mapping of str to ndarray of str
    row : ndarray of int
        Their places in the table, counted from 1.
    data : DataUsed
    """

    numbers: Mapping[str, Floats]
    below: Mapping[str, Flags]
    above: Mapping[str, Flags]
    labels: Mapping[str, NDArray[np.str_]]
    row: NDArray[np.intp]
    data: DataUsed


def take(
    table: Table,
    *,
    numbers: Sequence[str] = (),
    labels: Sequence[str] = (),
    censored: Literal["refuse", "keep", "drop"] = "refuse",
    treatment: str = "",
) -> Taken:
    """The complete rows of the columns a protocol needs, with an account of what was left out.

    Parameters
    ----------
    table : Table
    numbers, labels : sequence of str
        Columns read as numbers and as names.
    censored : str
        What to do with rows holding ``<x`` or ``>x`` in a numbers column: refuse the table, keep the bounds for a
        method that understands them, or drop the rows (counted, and a bias the report must name).
    treatment : str
        That choice in words, for the report.

    Returns
    -------
    Taken

    Raises
    ------
    InputError
        If a column is absent, not numeric, infinite, of sizes whose squares cannot be held, censored where that is
        refused, or no complete row is left.
    """
    read = {name: table.numbers(name) for name in dict.fromkeys(numbers)}
    named = {name: table.labels(name) for name in dict.fromkeys(labels)}
    keep = np.ones(table.rows, dtype=bool)
    missing: dict[str, int] = {}
    bounds: dict[str, int] = {}
    excluded: list[Excluded] = []
    for name, column in read.items():
        if np.isinf(column.value).any():
            row = int(np.flatnonzero(np.isinf(column.value))[0]) + 1
            raise InputError(f"column {name} of {table.source}, row {row}", got="infinity", allowed="a finite number")
        _refuse_sizes(column.value, name, table.source)
        missing[name] = int(column.missing.sum())
        bounds[name] = int(column.censored.sum())
        if bounds[name] and censored == "refuse":
            row = int(np.flatnonzero(column.censored)[0]) + 1
            raise InputError(
                f"column {name} of {table.source}, row {row}",
                got="a value known only as a bound (< or >)",
                allowed="numbers",
                do=treatment or "Leave such rows out if that is defensible, and say so.",
            )
        _leave_out(keep, column.missing, f"no value in {name}", excluded)
        if censored == "drop":
            _leave_out(keep, column.censored, f"only a bound in {name}", excluded)
    for name, cells in named.items():
        blank = cells == ""
        missing[name] = int(blank.sum())
        _leave_out(keep, blank, f"no value in {name}", excluded)
    if not keep.any():
        raise InputError(
            f"table {table.source}",
            got=f"{table.rows} rows, none complete",
            allowed=f"rows with values in {', '.join([*read, *named])}",
        )
    data = DataUsed(
        source=table.source,
        sha256=table.sha256,
        rows=table.rows,
        used=int(keep.sum()),
        missing=missing,
        censored=bounds,
        censored_treatment=treatment if any(bounds.values()) else "",
        excluded=tuple(excluded),
        notes=table.notes,
        demo=table.demo,
    )
    return Taken(
        {name: column.value[keep] for name, column in read.items()},
        {name: column.below[keep] for name, column in read.items()},
        {name: column.above[keep] for name, column in read.items()},
        {name: cells[keep] for name, cells in named.items()},
        np.flatnonzero(keep) + 1,
        data,
    )


def _refuse_sizes(value: Floats, name: str, source: str) -> None:
    size = np.abs(value)
    odd = (size > LARGEST) | ((size < SMALLEST) & (size > 0))
    if odd.any():
        row = int(np.argmax(odd))
        raise InputError(
            f"column {name} of {source}, row {row + 1}",
            got=float(value[row]),
            allowed=f"0, or {SMALLEST:g} to {LARGEST:g} in size",
            do="State the column in another unit.",
        )


def left_out(data: DataUsed, rows: NDArray[np.intp], why: str) -> DataUsed:
    """The account of the data when further rows are left out.

    Parameters
    ----------
    data : DataUsed
    rows : ndarray of int, shape (n,)
        Their places in the table, counted from 1; none changes nothing.
    why : str

    Returns
    -------
    DataUsed
    """
    if not rows.size:
        return data
    gone = Excluded(why, int(rows.size), tuple(int(r) for r in rows[:12]))
    return replace(data, used=data.used - gone.count, excluded=(*data.excluded, gone))


def _nothing(cell: object) -> bool:
    return cell is None or type(cell).__name__ in ("NAType", "NaTType") or (isinstance(cell, float) and cell != cell)


def _leave_out(keep: Flags, where: Flags, why: str, excluded: list[Excluded]) -> None:
    fresh = np.flatnonzero(keep & where)
    if fresh.size:
        excluded.append(Excluded(why, int(fresh.size), tuple(int(r) + 1 for r in fresh[:12])))
        keep[fresh] = False


def _length(column: Numbers | NDArray[np.str_]) -> int:
    return int(column.value.size if isinstance(column, Numbers) else column.size)
