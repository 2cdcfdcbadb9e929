"""Weighted Deming regression: both methods have errors proportional to the level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.deming import ratio_checked, slope_of
from stanch.verify.agreement.lines import (
    StraightLine,
    bounded_t,
    level_checked,
    needs_spread,
    paired_values,
    scatter_about,
)
from stanch.verify.records import Bounded

__all__ = ["WeightedLine", "weighted_deming"]

Floats = NDArray[np.float64]
Interval = Literal["jackknife", "bootstrap"]

STOP = 1e-12
"""Iteration ends when slope and height at the mean both move by less than this share of themselves [-]."""

MOST = 500
"""Most iterations before the data are refused."""

BLOCKS = 200
"""Blocks left out in turn when there are more points than `SINGLY`."""

SINGLY = 1000
"""Up to so many points the jackknife leaves out single ones."""


@dataclass(frozen=True)
class WeightedLine:
    """A weighted Deming line and how it was reached.

    Parameters
    ----------
    line : StraightLine
    iterations : int
        Until the stop rule was met.
    relative_scatter : float
        Standard deviation of the perpendicular-in-error residuals relative to the level: the coefficient of variation
        of the errors of y if the ratio and the proportionality hold [-].
    weights : ndarray, shape (sample,)
        At the last iteration, largest 1 [-].
    """

    line: StraightLine
    iterations: int
    relative_scatter: float
    weights: Floats


def weighted_deming(
    x: ArrayLike,
    y: ArrayLike,
    *,
    error_ratio: float = 1.0,
    floor: float | None = None,
    interval: Interval = "jackknife",
    level: float = 0.95,
    draws: int = 1000,
    seed: int = 1,
    unit: str = "",
) -> WeightedLine:
    """Line between two methods whose errors grow in proportion to the level.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    error_ratio : float
        Variance of the errors of x over that of y at the same sample [-]; a ratio of coefficients of variation must be
        squared first.
    floor : float, optional
        Level below which the errors stop shrinking [unit].
    interval : str
        ``jackknife`` or ``bootstrap``.
    level : float
        [-].
    draws, seed : int
        Of the bootstrap; the seed also deals points into blocks.
    unit : str

    Returns
    -------
    WeightedLine

    Raises
    ------
    InputError
        If estimated levels are not above zero (and no `floor` is given), or the iteration does not settle.

    Notes
    -----
    Weights 1/((X + Y)/2)^2 from the estimated true values X and Y = a + b X, iterated until slope and height at the
    weighted mean move by less than 1e-12 of themselves (Linnet K, Clin Chem 1993;39:424-432, from memory). Jackknife:
    every point is left out in turn and the whole iteration run again, t with n - 2 degrees of freedom; with more than
    1000 points 200 random blocks are left out instead, t with 199.

    Examples
    --------
    >>> found = weighted_deming([1.0, 2.0, 3.0, 4.0], [3.0, 5.0, 7.0, 9.0])
    >>> round(found.line.a, 9), round(found.line.b, 9)
    (1.0, 2.0)
    """
    xs, ys = paired_values(x, y)
    level_checked(level)
    ratio_checked(error_ratio)
    needs_spread(xs, "x")
    needs_spread(ys, "y")
    if floor is not None and not floor > 0:
        raise InputError("weight floor", got=floor, allowed="a level above 0")
    scale = float(np.abs(xs).max())
    u, v = xs / scale, ys / scale
    low = 0.0 if floor is None else floor / scale
    found = _settle(u, v, 1.0 / error_ratio, low, None)
    a, b, weights, steps = found
    n = xs.size
    rest = v - a - b * u
    share = float(np.sqrt(weights * rest**2 @ np.ones(n) / (n - 2) / (1.0 + b * b * error_ratio)))
    drawn: Floats | None = None
    if interval == "jackknife":
        covariance, df, words = _jackknife(u, v, 1.0 / error_ratio, low, (a, b), seed)
    elif interval == "bootstrap":
        drawn = _bootstrap(u, v, 1.0 / error_ratio, low, (a, b), draws, seed)
        covariance, df = np.cov(drawn, rowvar=False), math.inf
        words = f"percentiles of {drawn.shape[0]} bootstrap draws of pairs"
    else:
        raise InputError("interval", got=interval, allowed="jackknife or bootstrap")
    to_units = np.array([scale, 1.0])
    covariance = covariance * np.outer(to_units, to_units)
    drawn = None if drawn is None else drawn * to_units
    intercept, slope = _ends(a * scale, b, covariance, df, drawn, level, unit)
    line = StraightLine(
        "weighted Deming regression",
        int(n),
        intercept,
        slope,
        covariance,
        df,
        scatter_about(xs, ys, a * scale, b),
        words,
        drawn,
    )
    return WeightedLine(line, steps, share, weights / weights.max())


def _ends(
    a: float, b: float, covariance: Floats, df: float, drawn: Floats | None, level: float, unit: str
) -> tuple[Bounded, Bounded]:
    if drawn is None:
        return (
            bounded_t(a, math.sqrt(max(covariance[0, 0], 0.0)), df, level, unit),
            bounded_t(b, math.sqrt(max(covariance[1, 1], 0.0)), df, level),
        )
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2], axis=0)
    return (
        Bounded(a, min(float(low[0]), a), max(float(high[0]), a), unit, level),
        Bounded(b, min(float(low[1]), b), max(float(high[1]), b), "", level),
    )


def _settle(
    u: Floats, v: Floats, inverse: float, low: float, start: tuple[float, float] | None, stop: float = STOP
) -> tuple[float, float, Floats, int]:
    """Intercept, slope, weights and steps of the iteration at rest; `start` is a first guess."""
    a, b, weights = 0.0, 0.0, np.ones(u.size)
    if start is not None:
        a, b = start
        weights = _weights(u, v, a, b, inverse, low)
    before: tuple[float, float] | None = None
    for step in range(1, MOST + 1):
        total = float(weights.sum())
        mean_u, mean_v = float(weights @ u) / total, float(weights @ v) / total
        du, dv = u - mean_u, v - mean_v
        wu = weights * du
        b = float(slope_of(float(wu @ du), float((weights * dv) @ dv), float(wu @ dv), inverse, strict=True))
        a = mean_v - b * mean_u
        if (
            before is not None
            and abs(b - before[0]) <= stop * abs(b)
            and abs(mean_v - before[1] - (b - before[0]) * mean_u) <= stop * abs(mean_v) + stop * abs(b)
        ):
            return a, b, weights, step
        before = (b, a + b * mean_u)
        weights = _weights(u, v, a, b, inverse, low)
    raise InputError(
        "weighted Deming regression",
        got=f"no rest after {MOST} iterations",
        allowed="levels well above zero",
        do="State --weight-floor, or use the design deming.",
    )


def _weights(u: Floats, v: Floats, a: float, b: float, inverse: float, low: float) -> Floats:
    true_u = u + b * (v - a - b * u) / (inverse + b * b)
    middle = np.maximum((true_u + a + b * true_u) / 2, low)
    if not (middle > 0).all():
        raise InputError(
            "weighted Deming regression",
            got=f"{int((middle <= 0).sum())} samples with an estimated level at or below zero",
            allowed="levels above zero",
            do="State --weight-floor, the level below which errors stop shrinking, or use the design deming.",
        )
    return np.asarray(1.0 / middle**2)


def _jackknife(
    u: Floats, v: Floats, inverse: float, low: float, whole: tuple[float, float], seed: int
) -> tuple[Floats, float, str]:
    n = u.size
    singly = n <= SINGLY
    block = np.arange(n) if singly else np.random.default_rng(seed).permutation(n) % BLOCKS
    groups = n if singly else BLOCKS
    each = np.empty((groups, 2))
    for k in range(groups):
        keep = block != k
        each[k] = _settle(u[keep], v[keep], inverse, low, whole, 1e-10)[:2]
    gap = each - each.mean(axis=0)
    covariance = (groups - 1.0) / groups * (gap.T @ gap)
    if singly:
        return covariance, float(n - 2), "jackknife, t with n − 2 degrees of freedom"
    return covariance, BLOCKS - 1.0, f"jackknife over {BLOCKS} random blocks, t with {BLOCKS - 1} degrees of freedom"


def _bootstrap(
    u: Floats, v: Floats, inverse: float, low: float, whole: tuple[float, float], draws: int, seed: int
) -> Floats:
    if draws < 100:
        raise InputError("bootstrap draws", got=draws, allowed="at least 100")
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(draws):
        picked = rng.integers(0, u.size, u.size)
        try:
            out.append(_settle(u[picked], v[picked], inverse, low, whole, 1e-10)[:2])
        except InputError:
            continue
    if len(out) < 0.95 * draws:
        raise InputError(
            "bootstrap draws", got=f"{draws - len(out)} of {draws} without a line", allowed="at most one in twenty"
        )
    return np.array(out)
