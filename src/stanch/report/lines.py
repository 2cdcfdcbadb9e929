"""Text for a terminal: tables and wrapped lines."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

__all__ = ["WIDTH", "grid", "without_value", "wrapped"]

WIDTH = 110


def grid(header: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table with columns as wide as they need to be, one text per line.

    Parameters
    ----------
    header : sequence of str
    rows : iterable of sequence of str

    Returns
    -------
    list of str
    """
    lines = [tuple(header), *(tuple(row) for row in rows)]
    widths = [max(len(row[k]) for row in lines) for k in range(len(header))]
    return [("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths))).rstrip() for row in lines]


def wrapped(text: str, lead: str) -> list[str]:
    """Text broken into lines behind a lead of its own width.

    Parameters
    ----------
    text, lead : str

    Returns
    -------
    list of str
    """
    return textwrap.wrap(text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)) or [lead.rstrip()]


def without_value(found: Iterable[tuple[str, str, str]], wells: Sequence[str]) -> list[str]:
    """Readings that have no value and why, wells with the same reason together.

    Parameters
    ----------
    found : iterable of (well, reading, reason)
    wells : sequence of str
        All wells there are.

    Returns
    -------
    list of str
    """
    together: dict[tuple[str, str], list[str]] = {}
    for well, reading, reason in found:
        together.setdefault((reading, reason), []).append(well)
    lines = []
    for (reading, reason), names in together.items():
        where = "every well" if len(wells) > 1 and len(names) == len(wells) else ", ".join(names)
        lines += wrapped(f"{reading} of {where}: {reason}", "  ")
    return lines
