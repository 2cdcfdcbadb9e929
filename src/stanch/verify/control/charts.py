"""Control charts of one result at a time and of moving ranges."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.control._making import charted, moving, of_baseline, positive
from stanch.verify.control.chart import Chart
from stanch.verify.control.constants import d2, d3
from stanch.verify.intervals import checked

__all__ = ["individuals", "moving_ranges", "scale"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Scale = Literal["moving range", "sd", "pooled runs"]


def scale(
    x: ArrayLike,
    *,
    method: Scale = "moving range",
    run: ArrayLike | None = None,
    span: int = 2,
    rounded: bool = False,
) -> float:
    """Standard deviation of one result from a baseline in time order.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    method : str
        ``moving range`` (mean range of neighbours over d2: blind to slow drift), ``sd`` (all scatter), or
        ``pooled runs`` (inside runs only).
    run : array_like of str, shape (result,), optional
        Run of each result, for ``pooled runs``.
    span : int
        Neighbours per moving range.
    rounded : bool
        d2 to three decimals, as in printed tables.

    Returns
    -------
    float
        [unit].
    """
    values = checked(x, "baseline results", least=2)
    if method == "sd":
        return float(values.std(ddof=1))
    if method == "pooled runs":
        if run is None:
            raise InputError("runs", got="none", allowed="a run for every result with the method pooled runs")
        index = np.unique(np.asarray(run), return_inverse=True)[1]
        count = np.bincount(index)
        mean = np.bincount(index, values) / count
        df = int((count - 1).sum())
        if df < 1:
            raise InputError("runs", got="one result in each", allowed="a run with at least two results")
        return math.sqrt(float(((values - mean[index]) ** 2).sum()) / df)
    return float(moving(values, span).mean()) / d2(span, rounded=rounded)


def individuals(
    x: ArrayLike,
    *,
    centre: float | None = None,
    sigma: float | None = None,
    method: Scale = "moving range",
    run: ArrayLike | None = None,
    baseline: ArrayLike | None = None,
    width: float = 3.0,
    rounded: bool = False,
) -> Chart:
    """Chart of single results.

    Parameters
    ----------
    x : array_like, shape (result,)
        In time order [unit].
    centre, sigma : float, optional
        Centre line and standard deviation where they are known [unit]; else from the baseline.
    method : str
        How the baseline gives the standard deviation, see `scale`.
    run : array_like of str, shape (result,), optional
    baseline : array_like of bool, shape (result,), optional
        Results that set the limits; all when not given.
    width : float
        Half distance of the limits in standard deviations [-].
    rounded : bool
        d2 to three decimals.

    Returns
    -------
    Chart
    """
    values = checked(x, "control results", least=1)
    if centre is None:
        centre = float(of_baseline(values, baseline, 1).mean())
    if sigma is None:
        runs = None if run is None else (np.asarray(run) if baseline is None else np.asarray(run)[np.asarray(baseline)])
        sigma = scale(of_baseline(values, baseline, 2), method=method, run=runs, rounded=rounded)
    sigma = positive(sigma, "standard deviation of the control")
    half = positive(width, "width of the limits") * sigma
    return charted(values, centre, sigma, np.full(values.size, centre - half), np.full(values.size, centre + half))


def moving_ranges(x: ArrayLike, sigma: float, *, span: int = 2, width: float = 3.0, rounded: bool = False) -> Chart:
    """Chart of moving ranges; the first ``span - 1`` results have none.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    sigma : float
        Standard deviation of one result [unit].
    span : int
    width : float
        [-].
    rounded : bool
        d2 to three decimals.

    Returns
    -------
    Chart
        One point fewer than results for a span of 2.
    """
    ranges = moving(checked(x, "control results", least=2), span)
    sigma = positive(sigma, "standard deviation of the control")
    middle = d2(span, rounded=rounded)
    low, high = max(0.0, middle - width * d3(span)) * sigma, (middle + width * d3(span)) * sigma
    return charted(ranges, middle * sigma, sigma, np.full(ranges.size, low), np.full(ranges.size, high))
