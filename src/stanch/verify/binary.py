"""Tables in files that are not text: Parquet and spreadsheets, through libraries that need not be installed."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.cells import BROKEN_FORMULAS, Cells, Sheet, as_bytes
from stanch.verify.table import Flags

__all__ = ["read_parquet", "read_spreadsheet"]

_FAILED = re.compile(r"<(?:\w+:)?c\b([^>]*\bt=[\"']e[\"'][^>]*)>.*?<(?:\w+:)?v>([^<]*)<", re.DOTALL)


def read_parquet(data: bytes, shown: str) -> Sheet:
    """The columns of a Parquet file.

    Parameters
    ----------
    data : bytes
    shown : str
        Name of the file for messages.

    Returns
    -------
    Sheet

    Raises
    ------
    InputError
        If it cannot be read, or pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise InputError(
            f"table {shown}", got="a Parquet file", allowed="CSV here", do="Install pyarrow to read Parquet."
        ) from None
    try:
        table = parquet.read_table(pa.BufferReader(data))
    except pa.ArrowException as error:
        raise InputError(f"table {shown}", got=f"a Parquet file that cannot be read: {error}") from None
    columns: list[Cells] = []
    known: dict[int, tuple[Flags, NDArray[np.float64]]] = {}
    for k, column in enumerate(table.columns):
        kind = column.type
        if pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind):
            number = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
            where = ~column.is_null().to_numpy(zero_copy_only=False)
            value = np.asarray(number, dtype=np.float64)
            known[k] = where & ~np.isnan(value), value
            texts = column.cast(pa.string()).to_pylist()
        elif pa.types.is_string(kind) or pa.types.is_large_string(kind):
            texts = column.to_pylist()
        elif pa.types.is_dictionary(kind):
            texts = column.cast(kind.value_type).to_pylist()
        else:
            texts = column.to_pylist()
        columns.append(as_bytes(["" if cell is None else _written(cell) for cell in texts]))
    return Sheet(list(table.column_names), columns, (), known)


def read_spreadsheet(data: bytes, shown: str, sheet: str | None) -> Sheet:
    """The cells of one sheet.

    Parameters
    ----------
    data : bytes
    shown : str
        Name of the file for messages.
    sheet : str or None
        Which; None where only one holds cells.

    Returns
    -------
    Sheet

    Raises
    ------
    InputError
        If it cannot be read, a formula failed, the sheet cannot be told, or python-calamine is not installed.
    """
    try:
        import python_calamine
    except ImportError:
        raise InputError(
            f"table {shown}", got="a spreadsheet", allowed="CSV here", do="Install python-calamine to read it."
        ) from None
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        names = list(book.sheet_names)
        if sheet is not None:
            if sheet not in names:
                raise InputError(f"sheet {sheet} of {shown}", got="no such sheet", allowed=", ".join(names))
            chosen = sheet
            grid = book.get_sheet_by_name(sheet).to_python()
        else:
            grids = {one: book.get_sheet_by_name(one).to_python() for one in names}
            filled = [one for one in names if any(cell != "" for row in grids[one] for cell in row)]
            if len(filled) > 1:
                raise InputError(
                    f"table {shown}",
                    got=f"{len(filled)} sheets",
                    allowed=", ".join(filled),
                    do="Name one with --sheet.",
                )
            chosen = filled[0] if filled else names[0]
            grid = grids[chosen]
    except (python_calamine.CalamineError, OSError) as error:
        raise InputError(f"table {shown}", got=f"a spreadsheet that cannot be read: {error}") from None
    for cell, broken in _broken(data, chosen):
        raise InputError(
            f"{cell} of sheet {chosen} of {shown}",
            got=f"a formula error, {broken}",
            allowed="a value or an empty cell",
            do="Mend the formula.",
        )
    return _grid(grid, shown)


def _broken(data: bytes, sheet: str) -> Iterator[tuple[str, str]]:
    """Cells whose formula failed: the reader of spreadsheets hands them over as empty ones."""
    if not zipfile.is_zipfile(io.BytesIO(data)):
        return
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        names = set(book.namelist())
        if "xl/workbook.xml" in names:
            part = _part(book, sheet)
            text = book.read(part).decode("utf-8", "replace") if part in names else ""
            for found in re.finditer(
                r"<(?:\w+:)?c\b([^>]*\bt=[\"']e[\"'][^>]*)>.*?<(?:\w+:)?v>([^<]*)<", text, re.DOTALL
            ):
                if found[2].encode() in BROKEN_FORMULAS:
                    place = re.search(r"\br=[\"'](\w+)[\"']", found[1])
                    yield (f"cell {place[1]}" if place else "a cell"), found[2]
        elif "content.xml" in names:
            text = book.read("content.xml").decode("utf-8", "replace")
            for found in re.finditer(r'value-type="error"[^>]*>\s*<text:p>([^<]*)<', text):
                if found[1].encode() in BROKEN_FORMULAS:
                    yield "a cell", found[1]


def _part(book: zipfile.ZipFile, sheet: str) -> str:
    """Where in an Office Open XML workbook (ECMA-376) the cells of a sheet are."""
    link = ""
    for node in ElementTree.fromstring(book.read("xl/workbook.xml")).iter():
        if node.tag.endswith("}sheet") and node.get("name") == sheet:
            link = next((value for key, value in node.attrib.items() if key.endswith("}id")), "")
    for node in ElementTree.fromstring(book.read("xl/_rels/workbook.xml.rels")):
        if node.get("Id") == link:
            target = node.get("Target", "")
            return target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return ""


def _grid(grid: Sequence[Sequence[object]], shown: str) -> Sheet:
    notes: list[str] = []
    rows: list[Sequence[object]] = []
    for row in grid:
        first = row[0] if row else ""
        if isinstance(first, str) and first.startswith("#") and first.encode() not in (*BROKEN_FORMULAS, b"#N/A"):
            notes.append(" ".join(_written(cell) for cell in row if cell != "")[1:].strip())
        elif rows or any(cell != "" for cell in row):
            rows.append(row)
    if not rows:
        raise InputError(f"table {shown}", got="no header", allowed="a first row that names the columns")
    header, *body = rows
    columns: list[Cells] = []
    known: dict[int, tuple[Flags, NDArray[np.float64]]] = {}
    for k, cells in enumerate(zip(*body) if body else [() for _ in header]):
        number = np.array([isinstance(c, int | float) and not isinstance(c, bool) for c in cells], dtype=bool)
        if number.any():
            value = np.array([float(str(c)) if n else np.nan for c, n in zip(cells, number.tolist())])
            known[k] = number, value
        columns.append(as_bytes([_written(cell) for cell in cells]) if cells else np.zeros(0, dtype="S1"))
    return Sheet([_written(cell) for cell in header], columns, tuple(notes), known)


def _written(cell: object) -> str:
    """A cell as one would write it: whole numbers without a point, dates as ISO 8601, switches in lower case."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 2**53:
        return str(int(cell))
    iso = getattr(cell, "isoformat", None)
    return str(iso()) if iso is not None else str(cell)
