"""Delimited text as a source: a header line, then one row per entry.

The delimiter is the semicolon, the tab or the comma, whichever the header has, in this order. With a semicolon or a tab
the decimal sign may be a comma.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError

__all__ = ["DelimitedSource"]

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")


class DelimitedSource:
    """Columns of a delimited text file."""

    table = True

    def __init__(self, path: Path, where: str) -> None:
        self.where = where
        text = _text(path, where)
        lines = text.splitlines()
        first = next((i for i, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")), None)
        if first is None:
            raise RecordingError(where, got="no line with data", allowed="a header line and rows")
        self._delimiter = next((d for d in (";", "\t", ",") if d in lines[first]), ",")
        try:
            rows = list(csv.reader(lines[first:], delimiter=self._delimiter, strict=True))
        except csv.Error as error:
            raise RecordingError(where, got=str(error), allowed="delimited text", do="Correct the quotes.") from None
        self._names = [cell.strip() for cell in rows[0]]
        twice = sorted({name for name in self._names if self._names.count(name) > 1})
        if twice or "" in self._names:
            got = f"{', '.join(twice)} twice" if twice and twice != [""] else "a column without a name"
            raise RecordingError(f"{where}: header", got=got, allowed="a name for every column", do="Name the columns.")
        if all(_NUMBER.fullmatch(name.replace(",", ".")) for name in self._names):
            raise RecordingError(
                f"{where}: header", got=lines[first], allowed="names", do="Add a header line with units."
            )
        self._rows: list[list[str]] = []
        self._lines: list[int] = []
        for number, row in enumerate(rows[1:], start=first + 2):
            if not any(cell.strip() for cell in row) or row[0].lstrip().startswith("#"):
                continue
            if len(row) != len(self._names):
                raise RecordingError(
                    f"{where}: line {number}", got=f"{len(row)} cells", allowed=f"{len(self._names)}, as in the header"
                )
            self._rows.append(row)
            self._lines.append(number)

    def names(self) -> list[str]:
        """Names of the columns."""
        return self._names

    def array(self, name: str) -> NDArray[Any]:
        """One column as numbers in its own unit [-]; an empty or odd cell is refused."""
        k = self._names.index(name)
        return np.array([self._number(row[k].strip(), i, name) for i, row in enumerate(self._rows)], dtype=np.float64)

    def _number(self, cell: str, row: int, name: str) -> float:
        text = cell.replace(",", ".") if self._delimiter != "," and "." not in cell else cell
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not math.isfinite(value):
            raise RecordingError(
                f"{self.where}: line {self._lines[row]}, column {name}",
                got=cell or "an empty cell",
                allowed="a finite number without thousands separators",
                do="Correct the cell or leave the row out.",
            )
        return value

    def text(self, name: str) -> list[str]:
        """One column as text."""
        k = self._names.index(name)
        return [row[k].strip() for row in self._rows]


def _text(path: Path, where: str) -> str:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RecordingError(
            where, got="bytes that are not UTF-8", allowed="UTF-8 text", do="Save it as UTF-8."
        ) from None
    except OSError as error:
        raise RecordingError(where, got=error.strerror, allowed="a readable file", do="Check the rights.") from None
    if "\0" in text:
        raise RecordingError(where, got="zero bytes", allowed="text", do="Export it as CSV.")
    return text
