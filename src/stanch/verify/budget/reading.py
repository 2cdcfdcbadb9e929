"""Inputs and correlations of a budget from a table and from options."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from stanch.errors import InputError
from stanch.verify.budget.inputs import MOST, Input
from stanch.verify.records import DataUsed
from stanch.verify.table import Table, take

__all__ = ["DEFAULTS", "read_correlations", "read_inputs"]

DEFAULTS: Mapping[str, str] = {
    "value": "value",
    "uncertainty": "uncertainty",
    "half_width": "half_width",
    "shape": "shape",
    "top": "top",
    "df": "df",
    "kind": "kind",
    "input_unit": "unit",
    "source": "source",
    "sensitivity": "sensitivity",
}
"""Columns read when none is named; only the value is needed, and one of uncertainty and half-width in each row."""


def read_inputs(table: Table, name: str, columns: Mapping[str, str]) -> tuple[tuple[Input, ...], DataUsed]:
    """One input for each complete row.

    Parameters
    ----------
    table : Table
    name : str
        Column with the names.
    columns : mapping of str to str
        Column names by what they hold, keys as in `DEFAULTS`; one that is not in the table counts as empty.

    Returns
    -------
    inputs : tuple of Input
    data : DataUsed

    Raises
    ------
    InputError
        If a row states no uncertainty, two of them, or something that cannot be.
    """
    taken = take(
        table, numbers=(columns["value"],), labels=(name,), treatment="A budget needs numbers: bounds are refused."
    )
    if taken.row.size > MOST:
        raise InputError(
            f"table {table.source}",
            got=f"{taken.row.size} inputs",
            allowed=f"{MOST} or fewer: each row is an input of the budget, not a reading",
            do="Combine readings first, or use the design for simultaneous sets.",
        )
    for key, title in columns.items():
        if title != DEFAULTS[key] and title not in table.columns:
            raise InputError(
                f"column {title} of {table.source}", got="no such column", allowed=", ".join(table.columns)
            )
    numbers = {
        key: table.numbers(columns[key])
        for key in ("uncertainty", "half_width", "top", "df", "sensitivity")
        if columns[key] in table.columns
    }
    for key, column in numbers.items():
        if column.censored.any():
            raise InputError(f"column {columns[key]} of {table.source}", got="a bound (< or >)", allowed="numbers")
    words = {
        key: table.labels(columns[key])
        for key in ("shape", "kind", "input_unit", "source")
        if columns[key] in table.columns
    }
    if not {"uncertainty", "half_width"} & set(numbers):
        raise InputError(
            f"columns of {table.source}",
            got=", ".join(table.columns),
            allowed=f"{columns['uncertainty']} or {columns['half_width']}",
            do="Name the column with the standard uncertainties or the half-widths.",
        )

    def number(key: str, row: int) -> float | None:
        cell = float(numbers[key].value[row]) if key in numbers else math.nan
        return None if math.isnan(cell) else cell

    def word(key: str, row: int, default: str) -> str:
        return str(words[key][row]).strip() or default if key in words else default

    made = []
    for place, title, value in zip(taken.row, taken.labels[name], taken.numbers[columns["value"]], strict=True):
        row = int(place) - 1
        u, half = number("uncertainty", row), number("half_width", row)
        if (u is None) == (half is None):
            raise InputError(
                f"input {title} of {table.source}, row {place}",
                got="no uncertainty" if u is None else "a standard uncertainty and a half-width",
                allowed="one of the two; 0 where it is known exactly",
            )
        df = number("df", row)
        common: dict[str, Any] = {
            "df": math.inf if df is None else df,
            "kind": word("kind", row, "systematic"),
            "top": 0.5 if (top := number("top", row)) is None else top,
            "unit": word("input_unit", row, ""),
            "source": word("source", row, ""),
            "sensitivity": number("sensitivity", row),
        }
        if u is not None:
            # The distribution of a mean of few readings is that of t; a judged uncertainty has none but the normal.
            t = common["kind"] == "random" and math.isfinite(common["df"])
            shape: Any = word("shape", row, "t" if t else "normal")
            made.append(Input(str(title), float(value), u, shape=shape, **common))
        else:
            assert half is not None
            shape = word("shape", row, "rectangular")
            made.append(Input.within(str(title), float(value), half, shape=shape, **common))
    return tuple(made), taken.data


def read_correlations(texts: Sequence[str]) -> dict[tuple[str, str], float]:
    """Correlations written as ``one:other:0.5``.

    Parameters
    ----------
    texts : sequence of str

    Returns
    -------
    dict of (str, str) to float
        [-].

    Raises
    ------
    InputError
        If one cannot be read.
    """
    found = {}
    for text in texts:
        parts = [part.strip() for part in text.split(":")]
        try:
            one, two, r = parts[0], parts[1], float(parts[2])
        except (IndexError, ValueError):
            parts = []
        if len(parts) != 3:
            raise InputError("correlation", got=text, allowed="two names and a number, as in radius:length:0.5")
        found[one, two] = r
    return found
