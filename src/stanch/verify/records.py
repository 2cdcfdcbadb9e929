"""What every verification protocol hands over: numbers with intervals, tables, pictures as data, and the account.

Nothing here is rounded; rounding is for whoever shows it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from stanch.errors import InputError
from stanch.verify.layers import Band, Bars, Layer, Level, Line, Picture, Points, Rows

__all__ = [
    "Account",
    "Band",
    "Bars",
    "Bounded",
    "Cell",
    "Column",
    "DataUsed",
    "Definition",
    "Excluded",
    "Grid",
    "Layer",
    "Level",
    "Line",
    "Outcome",
    "Picture",
    "Points",
    "Rows",
    "Verdict",
]


@dataclass(frozen=True)
class Bounded:
    """A number with its interval, or the reason why there is none.

    Parameters
    ----------
    value : float or None
        [unit]; null only with `why`.
    low, high : float or None
        Ends of the interval [unit]; null where it is open or was not asked for.
    unit : str
        Unit text as the table states it; free, since verification may be of anything.
    level : float
        Probability the interval is made for [-].
    why : str
        One sentence where the value or an end is missing, or where the number needs a warning.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    level: float = 0.95
    why: str = ""

    def __post_init__(self) -> None:
        for name in ("value", "low", "high"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise InputError(f"{name} of a number", got=number, allowed="a finite number or null")
        if self.value is None and not self.why:
            raise InputError("why of a number", got="", allowed="a sentence when there is no value")
        if self.low is not None and self.high is not None and self.low > self.high:
            # Two ends that are one number, computed in two ways, may come out in the wrong order by rounding.
            if self.low - self.high <= 1e-12 * max(abs(self.low), abs(self.high)):
                low, high = self.high, self.low
                object.__setattr__(self, "low", low)
                object.__setattr__(self, "high", high)
                return
            raise InputError("interval of a number", got=(self.low, self.high), allowed="low <= high")

    @classmethod
    def missing(cls, why: str, unit: str = "") -> Bounded:
        """A number that could not be had, and why."""
        return cls(None, unit=unit, why=why)

    def as_dict(self) -> dict[str, Any]:
        """Plain fields for JSON."""
        return {
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "unit": self.unit,
            "level": self.level,
            "why": self.why,
        }


Cell = str | float | int | None | Bounded
Outcome = Literal["met", "not met", "undecided", "no limit stated"]


@dataclass(frozen=True)
class Verdict:
    """One claim put against the laboratory's own limit.

    Parameters
    ----------
    claim : str
        What is claimed, in words.
    value : Bounded
        What was found.
    allowed : str
        The laboratory's limit in words, empty when none was stated.
    outcome : str
        ``met``, ``not met``, ``undecided`` (the interval reaches to both sides) or ``no limit stated``.
    rule : str
        How the outcome follows from the value, in words.
    """

    claim: str
    value: Bounded
    allowed: str
    outcome: Outcome
    rule: str


@dataclass(frozen=True)
class Excluded:
    """Rows that were left out, all for one reason.

    Parameters
    ----------
    why : str
    count : int
        How many.
    rows : tuple of int
        The first few of them, counted from 1 below the header.
    """

    why: str
    count: int
    rows: tuple[int, ...] = ()


@dataclass(frozen=True)
class DataUsed:
    """Which data the numbers rest on.

    Parameters
    ----------
    source : str
        File name, or ``arrays`` when handed in from Python.
    sha256 : str
        Of the file; empty for arrays.
    rows, used : int
        Rows there were, rows the result rests on.
    missing : mapping of str to int
        Missing cells by column.
    censored : mapping of str to int
        ``<x`` and ``>x`` cells by column.
    censored_treatment : str
        What was done with them, in words.
    excluded : tuple of Excluded
    notes : tuple of str
        Comment lines of the file.
    demo : bool
        Whether the file says that its data are invented.
    """

    source: str
    sha256: str
    rows: int
    used: int
    missing: Mapping[str, int] = field(default_factory=dict)
    censored: Mapping[str, int] = field(default_factory=dict)
    censored_treatment: str = ""
    excluded: tuple[Excluded, ...] = ()
    notes: tuple[str, ...] = ()
    demo: bool = False


@dataclass(frozen=True)
class Column:
    """A column of a table to show."""

    name: str
    unit: str = ""


@dataclass(frozen=True)
class Grid:
    """A table to show.

    Parameters
    ----------
    title : str
    columns : tuple of Column
    rows : tuple of tuple of Cell
        Text, a number, None for "does not apply", or a `Bounded`.
    note : str
    """

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""

    def __post_init__(self) -> None:
        wide = [row for row in self.rows if len(row) != len(self.columns)]
        if wide:
            raise InputError(f"rows of {self.title}", got=len(wide[0]), allowed=f"{len(self.columns)} cells")


@dataclass(frozen=True)
class Definition:
    """A word, what it means here, and where the definition comes from.

    Parameters
    ----------
    term, text : str
    source : str
        Citation; "common practice, no source" or "from memory" where that is so.
    """

    term: str
    text: str
    source: str


@dataclass(frozen=True)
class Account:
    """Everything a quality manager files about one protocol.

    Parameters
    ----------
    protocol : str
        Its name.
    title : str
        What was verified, in words.
    question : str
        What the protocol answers.
    design : tuple of str
        Sentences: which design, how many of what, which analysis.
    data : DataUsed
    verdicts : tuple of Verdict
        Against the laboratory's own limits, first thing in the report.
    grids : tuple of Grid
    pictures : tuple of Picture
    definitions : tuple of Definition
    settings : mapping
        Every option in force, defaults included.
    numbers : mapping
        Everything computed, unrounded, plain values and `Bounded` for JSON.
    warnings : tuple of str
        What the reader must know before using it.
    seed : int or None
        Of the random draws, null when there were none.
    """

    protocol: str
    title: str
    question: str
    design: tuple[str, ...]
    data: DataUsed
    verdicts: tuple[Verdict, ...]
    grids: tuple[Grid, ...]
    pictures: tuple[Picture, ...]
    definitions: tuple[Definition, ...]
    settings: Mapping[str, Any]
    numbers: Mapping[str, Any]
    warnings: tuple[str, ...] = ()
    seed: int | None = None
