"""The useful range: the longest run of levels that deviate no more than allowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.verify.linearity.deviation import Deviation, means_deviation, polynomial_deviation
from stanch.verify.linearity.levels import Levels

__all__ = ["MOST_REFITTED", "Span", "useful_range"]

MOST_REFITTED = 60
"""Levels up to which the line is fitted anew to every run; beyond it the one line through all levels is kept."""


@dataclass(frozen=True)
class Span:
    """A run of neighbouring levels.

    Parameters
    ----------
    first, last : int
        Levels, counted from 0.
    low, high : float
        Their places [unit].
    refitted : bool
        Whether the line was fitted to this run alone.
    shown : bool
        Whether the whole interval of the deviation lies inside at every level, not only the value.
    """

    first: int
    last: int
    low: float
    high: float
    refitted: bool
    shown: bool


def useful_range(
    found: Deviation, *, absolute: float | None = None, percent: float | None = None, intervals: bool = False
) -> Span | None:
    """Longest run of levels inside the allowed deviation; of equally long ones the widest, then the lowest.

    Parameters
    ----------
    found : Deviation
        Of all levels.
    absolute : float, optional
        Allowed deviation [unit].
    percent : float, optional
        [%].
    intervals : bool
        Ask that the whole interval lies inside.

    Returns
    -------
    Span or None
        None when no run of three levels (four for a polynomial without repeated readings) is inside.
    """
    levels = found.levels
    if found.allowed is None:
        return None
    if levels.x.size > MOST_REFITTED:
        return _kept(found, _inside(found, intervals))
    order = found.orders[-1].order if found.orders else 0
    for length in range(levels.x.size, 2, -1):
        runs = [(first, first + length - 1) for first in range(levels.x.size - length + 1)]
        for first, last in sorted(runs, key=lambda r: levels.x[r[0]] - levels.x[r[1]]):
            again = _again(levels.run(first, last), order, absolute, percent, found.confidence)
            if again is not None and bool(_inside(again, intervals).all()):
                whole = bool(_inside(again, True).all())
                return Span(first, last, float(levels.x[first]), float(levels.x[last]), True, whole)
    return None


def _again(
    part: Levels, order: int, absolute: float | None, percent: float | None, confidence: float
) -> Deviation | None:
    if order == 0:
        return means_deviation(part, absolute=absolute, percent=percent, confidence=confidence)
    if min(part.x.size - 1, part.readings - 2) < 2:
        return None
    return polynomial_deviation(part, order=order, absolute=absolute, percent=percent, confidence=confidence)


def _inside(found: Deviation, intervals: bool) -> NDArray[np.bool_]:
    assert found.allowed is not None
    if intervals and not found.judged:
        return np.zeros(found.deviation.size, dtype=bool)
    low, high = (found.low, found.high) if intervals else (found.deviation, found.deviation)
    return np.asarray((low >= -found.allowed) & (high <= found.allowed))


def _kept(found: Deviation, inside: NDArray[np.bool_]) -> Span | None:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    if edges.size == 0:
        return None
    starts, ends = edges[::2], edges[1::2] - 1
    x = found.levels.x
    order = np.lexsort((starts, -(x[ends] - x[starts]), -(ends - starts)))
    first, last = int(starts[order[0]]), int(ends[order[0]])
    if last - first < 2:
        return None
    whole = bool(_inside(found, True)[first : last + 1].all())
    return Span(first, last, float(x[first]), float(x[last]), False, whole)
