"""What every chart is made with: a baseline, a positive scatter, ranges of neighbours."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.control.chart import Chart

Floats = NDArray[np.float64]


def of_baseline(x: Floats, baseline: ArrayLike | None, least: int) -> Floats:
    """The results of the baseline."""
    if baseline is None:
        chosen = x
    else:
        flags = np.asarray(baseline, dtype=bool)
        if flags.shape != x.shape:
            raise InputError("baseline", got=f"{flags.size} flags", allowed=f"one for each of {x.size} results")
        chosen = x[flags]
    if chosen.size < least:
        raise InputError("baseline", got=f"{chosen.size} results", allowed=f"at least {least}", do="Widen it.")
    return chosen


def positive(sigma: float, what: str) -> float:
    """A number above zero, or a refusal."""
    if not (math.isfinite(sigma) and sigma > 0):
        raise InputError(what, got=sigma, allowed="above 0", do="Give the standard deviation, or vary the baseline.")
    return float(sigma)


def moving(x: Floats, span: int) -> Floats:
    """Ranges of so many neighbours."""
    if not 2 <= span <= x.size:
        raise InputError("span of the moving range", got=span, allowed=f"2 to {x.size}, the number of results")
    windows = np.lib.stride_tricks.sliding_window_view(x, span)
    return np.asarray(windows.max(axis=1) - windows.min(axis=1), dtype=np.float64)


def charted(value: Floats, centre: float, sigma: float, low: Floats, high: Floats) -> Chart:
    """A chart with its signals."""
    return Chart(value, float(centre), float(sigma), low, high, (value < low) | (value > high))
