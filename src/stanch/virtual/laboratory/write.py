"""Tables of the virtual laboratory as text."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

__all__ = ["as_csv"]


def as_csv(columns: Mapping[str, Sequence[object]], about: str) -> str:
    """CSV text whose first lines say that the data are invented.

    Parameters
    ----------
    columns : mapping of str to sequence
        Of equal length; None is an empty cell, a float is written with six digits.
    about : str
        What the table holds.

    Returns
    -------
    str
    """
    sink = io.StringIO()
    sink.write("# Demo data: invented by the virtual laboratory of a liver-transplant unit. No person, no hospital.\n")
    sink.write(f"# {about}\n")
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(cell) for cell in row] for row in zip(*columns.values(), strict=True))
    return sink.getvalue()


def _cell(value: object) -> object:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else value
