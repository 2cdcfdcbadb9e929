"""Cells as written, turned into numbers, bounds and missing values; column by column, not cell by cell."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.verify.table import Flags, Numbers

__all__ = [
    "ALWAYS_MISSING",
    "BROKEN_FORMULAS",
    "MISSING_NUMBERS",
    "AsWritten",
    "Sheet",
    "as_bytes",
    "decoded",
    "first_not_a_number",
    "numbers_of",
    "thousands_or_decimals",
]

Cells = NDArray[np.bytes_]
Mark = Literal[".", ","]

ALWAYS_MISSING = (b"", b"na", b"n/a", b"n.a.", b"nan", b"null", b"#n/a")
"""Cells without a value in any column, whatever their case."""
MISSING_NUMBERS = (*ALWAYS_MISSING, b"-", b"--", "–".encode(), "—".encode(), b".", b"?")
"""Cells without a value in a column of numbers; in a column of names a dash may be a name."""

BROKEN_FORMULAS = (b"#DIV/0!", b"#NAME?", b"#NULL!", b"#NUM!", b"#REF!", b"#VALUE!")
"""What a spreadsheet writes where a formula failed; #N/A is missing."""

_BELOW = re.compile("(?:<=?|=<|≤)\\s*(.+)".encode(), re.S)
_ABOVE = re.compile("(?:>=?|=>|≥)\\s*(.+)".encode(), re.S)
_GROUPED = re.compile("[<>=≤≥\\s]*(?:[+-]|−)?[1-9][0-9]{0,2},[0-9]{3}".encode())


@dataclass(frozen=True)
class Sheet:
    """What was read, before any cell is interpreted.

    Parameters
    ----------
    names : list of str
    cells : list of ndarray of bytes
        UTF-8, one array per column.
    notes : tuple of str
    known : mapping of int to tuple of (ndarray of bool, ndarray of float)
        Columns in which the file itself holds numbers: where, and which [unit].
    """

    names: list[str]
    cells: list[Cells]
    notes: tuple[str, ...] = ()
    known: Mapping[int, tuple[Flags, NDArray[np.float64]]] = field(default_factory=dict)


class AsWritten(Mapping[str, NDArray[np.str_]]):
    """Columns as they were written, decoded when one is asked for.

    Parameters
    ----------
    cells : mapping of str to ndarray of bytes
        UTF-8, without spaces around.
    """

    def __init__(self, cells: Mapping[str, Cells]) -> None:
        self._cells = dict(cells)

    def __getitem__(self, name: str) -> NDArray[np.str_]:
        return decoded(self._cells[name], MISSING_NUMBERS)

    def __iter__(self) -> Iterator[str]:
        return iter(self._cells)

    def __len__(self) -> int:
        return len(self._cells)


def as_bytes(cells: Sequence[str]) -> Cells:
    """Cells as UTF-8."""
    try:
        return np.array(cells, dtype=np.bytes_)
    except UnicodeEncodeError:
        return np.array([cell.encode() for cell in cells], dtype=np.bytes_)


def decoded(cells: Cells, missing: tuple[bytes, ...] = ALWAYS_MISSING) -> NDArray[np.str_]:
    """Cells as text, ``""`` where missing.

    Parameters
    ----------
    cells : ndarray of bytes, shape (row,)
    missing : tuple of bytes
        In lower case.

    Returns
    -------
    ndarray of str, shape (row,)
    """
    none = _among(cells, missing)
    if none.any():
        cells = np.where(none, b"", cells)
    if cells.tobytes().isascii():
        return cells.astype(np.str_)
    # Decoding and composing each different cell once keeps a long column of few names quick.
    different, place = np.unique(cells, return_inverse=True)
    texts = [unicodedata.normalize("NFC", cell.decode("utf-8")) for cell in different.tolist()]
    return np.asarray(np.array(texts, dtype=np.str_)[place], dtype=np.str_)


def numbers_of(cells: Cells, mark: Mark = ".") -> Numbers | None:
    """A column of cells as numbers.

    Parameters
    ----------
    cells : ndarray of bytes, shape (row,)
        UTF-8, without spaces around.
    mark : str
        Decimal mark; the other one makes a cell no number.

    Returns
    -------
    Numbers or None
        None when a cell is neither a number, a bound (``<x``, ``>x``; ``≤`` and ``≥`` are taken as these) nor missing.
    """
    if mark == ",":
        if _holds(cells, b"."):
            missing = _among(cells, MISSING_NUMBERS)
            if _holds(cells[~missing], b"."):
                return None
        cells = np.char.replace(cells, b",", b".").astype(np.bytes_) if _holds(cells, b",") else cells
    if _holds(cells, b"_"):
        return None
    quick = _floats(cells)
    if quick is not None:
        return Numbers.exact(quick)
    return _marked(cells)


def first_not_a_number(column: NDArray[np.str_], mark: Mark = ".") -> int:
    """Place of the first cell that keeps a column from being one of numbers, from 0.

    Parameters
    ----------
    column : ndarray of str, shape (row,)
    mark : str
        Decimal mark.

    Returns
    -------
    int
    """
    # Halving finds it without looking at every cell of a long column one by one.
    cells = np.char.encode(column, "utf-8")
    start, stop = 0, cells.size
    while stop - start > 1:
        middle = (start + stop) // 2
        start, stop = (start, middle) if numbers_of(cells[start:middle], mark) is None else (middle, stop)
    return start


def thousands_or_decimals(cells: Cells) -> NDArray[np.intp]:
    """Rows whose comma cannot be told from a mark of thousands; empty as soon as one other comma settles it.

    Parameters
    ----------
    cells : ndarray of bytes, shape (row,)

    Returns
    -------
    ndarray of int, shape (n,)
        Places in the column, from 0.
    """
    rows = np.flatnonzero(np.char.find(cells, b",") >= 0)
    if any(_GROUPED.fullmatch(cell) is None for cell in cells[rows].tolist()):
        return rows[:0]
    return rows


def _marked(cells: Cells) -> Numbers | None:
    """The slow way: some cells are missing, bounds, or written with a minus sign proper."""
    missing = _among(cells, MISSING_NUMBERS)
    value = np.full(cells.shape, np.nan)
    below, above = np.zeros(cells.shape, dtype=bool), np.zeros(cells.shape, dtype=bool)
    rest = np.flatnonzero(~missing)
    kept = cells[rest]
    first = kept.astype("S1")
    unusual = np.flatnonzero((first == b"<") | (first == b">") | (first == b"=") | (first >= b"\x80"))
    if unusual.size:
        texts = kept[unusual].tolist()
        for k, text in enumerate(texts):
            for pattern, flags in ((_BELOW, below), (_ABOVE, above)):
                found = pattern.fullmatch(text)
                if found is not None:
                    flags[rest[unusual[k]]] = True
                    texts[k] = found[1]
            texts[k] = texts[k].replace("−".encode(), b"-", 1)
        kept = kept.copy()
        kept[unusual] = np.array(texts, dtype=np.bytes_)
    found_values = _floats(kept)
    if found_values is None:
        return None
    value[rest] = found_values
    if not np.isfinite(value[below | above]).all():
        return None
    return Numbers(value, below, above)


def _floats(cells: Cells) -> NDArray[np.float64] | None:
    try:
        return cells.astype(np.float64)
    except ValueError:
        return None


def _among(cells: Cells, words: tuple[bytes, ...]) -> Flags:
    """Whether a cell is one of a few words, whatever its case; only short cells can be."""
    longest = max(map(len, words))
    hit = np.zeros(cells.shape, dtype=bool)
    short = np.flatnonzero(np.char.str_len(cells) <= longest)
    if short.size:
        hit[short] = np.isin(np.char.lower(cells[short].astype(f"S{longest}")), np.array(words, dtype=np.bytes_))
    return hit


def _holds(cells: Cells, mark: bytes) -> bool:
    return bool(cells.size) and mark in cells.tobytes()
