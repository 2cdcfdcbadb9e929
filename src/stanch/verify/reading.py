"""Tables from files: CSV and its kin, Parquet, spreadsheets; every refusal names the place."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Literal, TextIO

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.binary import read_parquet, read_spreadsheet
from stanch.verify.cells import (
    BROKEN_FORMULAS,
    AsWritten,
    Cells,
    Mark,
    Sheet,
    as_bytes,
    decoded,
    numbers_of,
    thousands_or_decimals,
)
from stanch.verify.table import Flags, Numbers, Table

__all__ = ["Decimal", "read_table"]

Decimal = Literal["auto", ".", ","]

CHUNK = 65536
DEMO = "demo data"


def read_table(
    path: str | os.PathLike[str],
    *,
    decimal: Decimal = "auto",
    delimiter: str | None = None,
    sheet: str | None = None,
    name: str | None = None,
) -> Table:
    """Read a table with one header row.

    Parameters
    ----------
    path : path-like
        CSV or TSV in UTF-8, Parquet, or a spreadsheet (.xlsx, .xls, .ods); told apart by content.
    decimal : str
        Decimal mark of text cells. ``auto`` takes the comma when cells read as numbers only so, and refuses a table
        in which every comma could as well part thousands.
    delimiter : str, optional
        Of text files; by default comma, semicolon or tab, whichever parts the rows evenly.
    sheet : str, optional
        Of a spreadsheet; needed when more than one of them holds cells.
    name : str, optional
        For messages and the report, instead of the file name.

    Returns
    -------
    Table
        A column is a column of numbers if every cell with a value reads as one. ``<x``, ``≤x``, ``>x`` and ``≥x``
        are bounds; ``≤`` and ``≥`` are not told from ``<`` and ``>``. No value: an empty cell, NA, N/A, n.a., NaN,
        null, #N/A, and in columns of numbers also -, --, –, —, . and ?. Lines that begin with # are notes.

    Raises
    ------
    InputError
        If it cannot be read, naming the row (counted from 1 below the header) where there is one.
    """
    file = Path(path)
    shown = name or file.name
    data = _content(file, shown)
    if data[:4] == b"PAR1":
        read = read_parquet(data, shown)
    elif data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        read = read_spreadsheet(data, shown, sheet)
    else:
        read = _delimited(data, shown, delimiter or ("\t" if file.suffix.lower() == ".tsv" else None))
    if sheet is not None and data[:4] not in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise InputError(f"sheet {sheet} of {shown}", got="a file without sheets", allowed="a spreadsheet")
    return _interpreted(read, shown, hashlib.sha256(data).hexdigest(), decimal)


def _content(file: Path, shown: str) -> bytes:
    try:
        data = file.read_bytes()
    except FileNotFoundError:
        raise InputError(
            f"table {shown}", got="no such file", allowed="an existing file", do="Check the path."
        ) from None
    except IsADirectoryError:
        raise InputError(f"table {shown}", got="a folder", allowed="a file", do="Name the file in it.") from None
    if not data.strip():
        raise InputError(f"table {shown}", got="an empty file", allowed="a header and at least one row")
    return data


def _interpreted(read: Sheet, shown: str, sha256: str, decimal: Decimal) -> Table:
    names, columns = _checked_names(read, shown)
    _broken(names, columns, shown)
    rows = _used_rows(columns, shown)
    columns = [cells[:rows] for cells in columns]
    made: dict[str, Numbers | NDArray[np.str_]] = {}
    written: dict[str, Cells] = {}
    mark: Mark = "." if decimal == "auto" else decimal
    found = [_numbers(cells, read.known.get(k), mark, rows) for k, cells in enumerate(columns)]
    if decimal == "auto":
        _commas(names, columns, found, read.known, shown)
    for name, cells, numbers in zip(names, columns, found):
        if numbers is None:
            made[name] = decoded(cells)
        else:
            made[name] = numbers
            written[name] = cells
    demo = any(DEMO in note.lower() for note in read.notes)
    return Table(made, source=shown, sha256=sha256, notes=read.notes, demo=demo, text=AsWritten(written))


def _numbers(cells: Cells, known: tuple[Flags, NDArray[np.float64]] | None, mark: Mark, rows: int) -> Numbers | None:
    if known is None:
        return numbers_of(cells, mark)
    where, value = known[0][:rows], known[1][:rows]
    rest = np.flatnonzero(~where)
    read = numbers_of(cells[rest], mark)
    if read is None:
        return None
    whole = Numbers.exact(np.where(where, value, np.nan))
    whole.value[rest], whole.below[rest], whole.above[rest] = read.value, read.below, read.above
    return whole


def _commas(
    names: Sequence[str],
    columns: Sequence[Cells],
    found: list[Numbers | None],
    known: Mapping[int, tuple[Flags, NDArray[np.float64]]],
    shown: str,
) -> None:
    """Take the decimal comma where columns are numbers only with it, if nothing speaks against it."""
    doubtful: tuple[int, int] | None = None
    clear = False
    taken: dict[int, Numbers] = {}
    for k, cells in enumerate(columns):
        if found[k] is not None or b"," not in cells.tobytes():
            continue
        text = cells if k not in known else np.where(known[k][0][: cells.size], b"", cells)
        numbers = _numbers(cells, known.get(k), ",", cells.size)
        if numbers is None:
            continue
        taken[k] = numbers
        rows = thousands_or_decimals(text)
        if rows.size:
            doubtful = doubtful or (k, int(rows[0]))
        else:
            clear = True
    if not taken:
        return
    if not clear and doubtful is not None:
        k, row = doubtful
        raise InputError(
            f"column {names[k]} of {shown}, row {row + 1}",
            got=columns[k][row].decode(),
            allowed="numbers whose comma can be told from a mark of thousands",
            do="Say which decimal mark is meant: --decimal , or --decimal . (thousands are written without a mark).",
        )
    for k, numbers_so_far in enumerate(found):
        if numbers_so_far is not None and k not in known and b"." in columns[k].tobytes():
            with_point = numbers_of(columns[k], ",")
            if with_point is None:
                comma = names[next(iter(taken))]
                raise InputError(
                    f"table {shown}",
                    got=f"a decimal point in column {names[k]} and a decimal comma in column {comma}",
                    allowed="one decimal mark",
                    do="Say which is meant: --decimal , or --decimal . or write the file with one of them.",
                )
    for k, numbers in taken.items():
        found[k] = numbers


def _checked_names(read: Sheet, shown: str) -> tuple[list[str], list[Cells]]:
    names = [unicodedata.normalize("NFC", name.strip()) for name in read.names]
    columns = [np.char.strip(cells) for cells in read.cells]
    while names and not names[-1] and not (columns[-1] != b"").any():
        names.pop()
        columns.pop()
    if not names:
        raise InputError(f"table {shown}", got="no header", allowed="a first row that names the columns")
    for k, name in enumerate(names, start=1):
        if not name:
            raise InputError(f"table {shown}, header", got=f"no name over column {k}", allowed="a name for each column")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(
            f"table {shown}, header", got=f"{twice[0]} twice", allowed="different names", do="Rename one of them."
        )
    return names, columns


def _used_rows(columns: Sequence[Cells], shown: str) -> int:
    """How many rows there are up to the last one with anything in it."""
    rows = 0
    for cells in columns:
        filled = np.flatnonzero(cells != b"")
        rows = max(rows, int(filled[-1]) + 1 if filled.size else 0)
    if not rows:
        raise InputError(f"table {shown}", got="a header without rows", allowed="at least one row")
    return rows


def _broken(names: Sequence[str], columns: Sequence[Cells], shown: str) -> None:
    for name, cells in zip(names, columns):
        if b"#" not in cells.tobytes():
            continue
        bad = np.flatnonzero(np.isin(cells, np.array(BROKEN_FORMULAS)))
        if bad.size:
            row = int(bad[0])
            raise InputError(
                f"column {name} of {shown}, row {row + 1}",
                got=f"a formula error, {cells[row].decode()}",
                allowed="a value or an empty cell",
                do="Mend the formula.",
            )


def _delimited(data: bytes, shown: str, delimiter: str | None) -> Sheet:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError(f"table {shown}", got="UTF-16 text", allowed="UTF-8 text", do="Save it as CSV in UTF-8.")
    if b"\0" in data:
        raise InputError(f"table {shown}", got="binary data", allowed="CSV, TSV, Parquet or a spreadsheet")
    notes: list[str] = []
    try:
        reader = csv.reader(_lines(_text(data), notes), delimiter=delimiter or _delimiter(data), strict=True)
        return _rows(reader, notes, shown)
    except UnicodeDecodeError:
        raise _not_utf8(data, shown) from None
    except csv.Error as error:
        got = f"near line {reader.line_num + len(notes)}: {error}"
        raise InputError(f"table {shown}", got=got, allowed="well-formed CSV (RFC 4180)") from None


def _text(data: bytes) -> TextIO:
    """Lines decoded as they are read: a whole table as one text would take several times its size."""
    return io.TextIOWrapper(io.BytesIO(data), encoding="utf-8-sig", newline="")


def _not_utf8(data: bytes, shown: str) -> InputError:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        got = f"a byte that is not UTF-8, 0x{data[error.start]:02x}"
        return InputError(f"table {shown}, line {line}", got=got, allowed="UTF-8 text", do="Save it as CSV in UTF-8.")
    return InputError(f"table {shown}", got="text that is not UTF-8", allowed="UTF-8 text")


def _rows(reader: Iterator[list[str]], notes: list[str], shown: str) -> Sheet:
    header = next((row for row in reader if any(cell.strip() for cell in row)), None)
    if header is None:
        raise InputError(f"table {shown}", got="no header", allowed="a first row that names the columns")
    parts: list[list[Cells]] = [[] for _ in header]
    before = 0
    while rows := list(islice(reader, CHUNK)):
        if {len(row) for row in rows} != {len(header)}:
            rows = [row for row in rows if len(row) > 1 or (row and row[0].strip())]
            _even(rows, len(header), before, shown)
        before += len(rows)
        for part, cells in zip(parts, zip(*rows)):
            part.append(as_bytes(cells))
    columns = [np.concatenate(part) if part else np.zeros(0, dtype="S1") for part in parts]
    return Sheet(header, columns, tuple(notes))


def _even(rows: list[list[str]], wide: int, before: int, shown: str) -> None:
    for k, row in enumerate(rows, start=before + 1):
        if len(row) != wide:
            raise InputError(
                f"table {shown}, row {k}",
                got=f"{len(row)} cells",
                allowed=f"{wide} cells, as the header has",
                do="Put text that holds the delimiter between quotes.",
            )


def _lines(lines: Iterable[str], notes: list[str]) -> Iterator[str]:
    """Lines that are data; those that begin with # outside quotes are notes."""
    quoted = False
    for line in lines:
        if (
            not quoted
            and line.startswith("#")
            and not line.startswith(("#N/A", *(b.decode() for b in BROKEN_FORMULAS)))
        ):
            notes.append(line[1:].strip().rstrip(",;\t").strip())
            continue
        if '"' in line:
            quoted ^= bool(line.count('"') % 2)
        yield line


def _delimiter(data: bytes) -> str:
    """The delimiter that parts the first rows evenly; tab and semicolon before the comma, which may be decimal."""
    sample = list(islice((line for line in _lines(_text(data), []) if line.strip()), 30))
    header = sample[0] if sample else ""
    present = [mark for mark in "\t;," if mark in header]
    for mark in present:
        try:
            widths = {len(row) for row in csv.reader(sample, delimiter=mark, strict=True)}
        except csv.Error:
            continue
        if len(widths) == 1:
            return mark
    # A table of a single column has no delimiter; its commas are decimal.
    return present[0] if present else "\t"
