"""Deming regression: both methods have errors whose variances stand in a known, constant ratio."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.lines import (
    StraightLine,
    bounded_t,
    level_checked,
    needs_spread,
    paired_values,
    scatter_about,
)
from stanch.verify.records import Bounded

__all__ = ["deming", "ratio_from_duplicates"]

Floats = NDArray[np.float64]
Interval = Literal["jackknife", "analytic", "bootstrap"]


def deming(
    x: ArrayLike,
    y: ArrayLike,
    *,
    error_ratio: float = 1.0,
    interval: Interval = "jackknife",
    level: float = 0.95,
    draws: int = 2000,
    seed: int = 1,
    unit: str = "",
) -> StraightLine:
    """Line between two methods that both have errors of constant size.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    error_ratio : float
        Variance of the errors of x over the variance of the errors of y [-]; a ratio of standard deviations or of
        coefficients of variation must be squared first.
    interval : str
        ``jackknife``, ``analytic`` (large-sample variance) or ``bootstrap`` (percentiles of resampled pairs).
    level : float
        [-].
    draws, seed : int
        Of the bootstrap.
    unit : str

    Returns
    -------
    StraightLine

    Raises
    ------
    InputError
        If there are fewer than three pairs, a method is constant, or the data do not decide the slope.

    Notes
    -----
    Slope and intercept minimise sum (x - X)^2 / error_ratio + (y - Y)^2 over the line; closed form (Deming WE,
    Statistical Adjustment of Data, 1943, from memory). Analytic variance: Fuller WA, Measurement Error Models, 1987,
    section 1.3, from memory. Jackknife: leave one out, t with n - 2 degrees of freedom (Linnet K, Clin Chem
    1990;36:2117-2123 uses it for this; from memory).

    Examples
    --------
    >>> line = deming([1.0, 2.0, 3.0, 4.0], [3.0, 5.0, 7.0, 9.0])
    >>> round(line.a, 12), round(line.b, 12)
    (1.0, 2.0)
    """
    xs, ys = paired_values(x, y)
    level_checked(level)
    ratio_checked(error_ratio)
    reach_x, reach_y = needs_spread(xs, "x"), needs_spread(ys, "y")
    mean_x, mean_y = float(xs.mean()), float(ys.mean())
    u, v = (xs - mean_x) / reach_x, (ys - mean_y) / reach_y
    inverse = (reach_x / reach_y) ** 2 / error_ratio
    b = float(slope_of(float(u @ u), float(v @ v), float(u @ v), inverse, strict=True)) * reach_y / reach_x
    a = mean_y - b * mean_x
    n = int(xs.size)
    if interval == "bootstrap":
        drawn = _bootstrap(u, v, inverse, draws, seed)
        slopes = drawn[:, 1] * reach_y / reach_x
        drawn = np.column_stack([drawn[:, 0] * reach_y + mean_y - slopes * mean_x, slopes])
        return _from_draws(xs, ys, a, b, drawn, level, unit)
    if interval == "jackknife":
        scaled = _jackknife(u, v, inverse)
        words = "jackknife, t with n − 2 degrees of freedom"
    elif interval == "analytic":
        scaled = _analytic(u, v, b * reach_x / reach_y, inverse)
        words = "large-sample variance of a line with errors in both, t with n − 2 degrees of freedom"
    else:
        raise InputError("interval", got=interval, allowed="jackknife, analytic or bootstrap")
    covariance = _unscaled(scaled, mean_x, reach_x, reach_y)
    df = float(n - 2)
    return StraightLine(
        "Deming regression",
        n,
        bounded_t(a, math.sqrt(covariance[0, 0]), df, level, unit),
        bounded_t(b, math.sqrt(covariance[1, 1]), df, level),
        covariance,
        df,
        scatter_about(xs - mean_x, ys - mean_y, 0.0, b),
        words,
    )


def ratio_from_duplicates(
    x: ArrayLike, x_again: ArrayLike, y: ArrayLike, y_again: ArrayLike, *, proportional: bool = False
) -> float:
    """Error ratio for (weighted) Deming regression from duplicate results of both methods.

    Parameters
    ----------
    x, x_again, y, y_again : array_like, shape (sample,)
        First and second result of each sample by each method [unit].
    proportional : bool
        Take each difference relative to its pair's mean, for errors proportional to the level.

    Returns
    -------
    float
        Variance of the errors of x over that of y [-].

    Raises
    ------
    InputError
        If the duplicates of either method are all equal, or a pair's mean is not above zero where that is needed.

    Notes
    -----
    Variance from duplicates: sum of squared differences / (2 n) (Dahlberg 1940, from memory).

    Examples
    --------
    >>> round(ratio_from_duplicates([10, 20], [12, 22], [10, 20], [11, 21]), 12)
    4.0
    """
    variances = []
    for name, one, two in (("x", x, x_again), ("y", y, y_again)):
        first, second = paired_values(one, two, least=2)
        difference = first - second
        if proportional:
            middle = (first + second) / 2
            if (middle <= 0).any():
                raise InputError(
                    f"duplicates of {name}",
                    got="a mean at or below zero",
                    allowed="means above zero for relative errors",
                )
            difference = difference / middle
        variances.append(float(np.mean(difference**2)) / 2)
        if variances[-1] <= 0:
            raise InputError(
                f"duplicates of {name}",
                got="no difference in any pair",
                allowed="duplicates that show the error of the method",
                do="State --error-ratio instead.",
            )
    return variances[0] / variances[1]


def ratio_checked(error_ratio: float) -> float:
    """An error ratio, or a refusal."""
    if not (math.isfinite(error_ratio) and error_ratio > 0):
        raise InputError(
            "error ratio",
            got=error_ratio,
            allowed="a finite number above 0: variance of x errors over variance of y errors",
        )
    return error_ratio


def slope_of(suu: ArrayLike, svv: ArrayLike, suv: ArrayLike, inverse: float, *, strict: bool = False) -> Floats:
    """Deming slope from sums of squares about the mean, `inverse` = variance of y errors over that of x errors."""
    suu, svv, suv = (np.asarray(s, dtype=np.float64) for s in (suu, svv, suv))
    gap = svv - inverse * suu
    root = np.sqrt(gap * gap + 4.0 * inverse * suv * suv)
    flat = np.abs(suv) <= 8 * np.finfo(float).eps * np.sqrt(suu * svv)
    if strict and bool(np.any(flat)):
        raise InputError(
            "pairs of both methods",
            got="no covariance between x and y",
            allowed="methods that rise and fall together",
            do="No line can be told from these samples.",
        )
    # Two forms of the same root: each is free of cancellation on its side.
    upper = np.where(gap >= 0, gap + root, 0.0)
    lower = np.where(gap < 0, root - gap, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.where(gap >= 0, upper / (2.0 * suv), 2.0 * inverse * suv / lower)
    return np.asarray(np.where(flat, np.nan, found))


def _jackknife(u: Floats, v: Floats, inverse: float) -> Floats:
    """Covariance of (intercept at the mean, slope), scaled; every leave-one-out fit in closed form."""
    n = u.size
    gain = n / (n - 1.0)
    left = slope_of(
        np.maximum(float(u @ u) - gain * u * u, 0.0),
        np.maximum(float(v @ v) - gain * v * v, 0.0),
        float(u @ v) - gain * u * v,
        inverse,
    )
    if not np.isfinite(left).all():
        place = int(np.flatnonzero(~np.isfinite(left))[0]) + 1
        raise InputError(
            "jackknife of the slope",
            got=f"no slope without pair {place}",
            allowed="samples of which no single one decides the slope",
            do="Measure more samples, spread over the range.",
        )
    # The means move by -u/(n-1), -v/(n-1) when a point leaves.
    starts = (-v + left * u) / (n - 1.0)
    each = np.stack([starts - starts.mean(), left - left.mean()])
    return np.asarray((n - 1.0) / n * (each @ each.T))


def _analytic(u: Floats, v: Floats, b: float, inverse: float) -> Floats:
    n = u.size
    rest = v - b * u
    s_rest = float(rest @ rest) / (n - 2)
    s_error_x = s_rest / (inverse + b * b)
    s_true = float(u @ v) / (n - 1) / b
    if not s_true > 0:
        raise InputError("analytic interval", got="no spread of true values", allowed="samples that differ truly")
    cross = -b * s_error_x
    var_b = (s_true * s_rest + s_error_x * s_rest - cross * cross) / (s_true * s_true * (n - 1))
    return np.array([[s_rest / n, 0.0], [0.0, var_b]])


def _bootstrap(u: Floats, v: Floats, inverse: float, draws: int, seed: int) -> Floats:
    if draws < 100:
        raise InputError("bootstrap draws", got=draws, allowed="at least 100")
    rng = np.random.default_rng(seed)
    n = u.size
    out = np.empty((draws, 2))
    for k in range(draws):
        count = np.bincount(rng.integers(0, n, n), minlength=n)
        mu, mv = float(count @ u) / n, float(count @ v) / n
        du, dv = u - mu, v - mv
        suu, svv, suv = float(count @ (du * du)), float(count @ (dv * dv)), float(count @ (du * dv))
        # Both ranges are 1: a draw of one pair over and over has no slope, only rounding.
        b = float(slope_of(suu, svv, suv, inverse)) if min(suu, svv) > 1e-24 else math.nan
        out[k] = mv - b * mu, b
    return out[np.isfinite(out).all(axis=1)]


def _from_draws(xs: Floats, ys: Floats, a: float, b: float, drawn: Floats, level: float, unit: str) -> StraightLine:
    if drawn.shape[0] < 100:
        raise InputError(
            "bootstrap draws", got=f"{drawn.shape[0]} with a slope", allowed="at least 100", do="Use the jackknife."
        )
    tails = [(1 - level) / 2, (1 + level) / 2]
    ends = np.quantile(drawn, tails, axis=0)

    def bounded(value: float, column: int, units: str) -> Bounded:
        low, high = float(ends[0, column]), float(ends[1, column])
        return Bounded(value, min(low, value), max(high, value), units, level)

    return StraightLine(
        "Deming regression",
        int(xs.size),
        bounded(a, 0, unit),
        bounded(b, 1, ""),
        np.cov(drawn, rowvar=False),
        math.inf,
        scatter_about(xs, ys, a, b),
        f"percentiles of {drawn.shape[0]} bootstrap draws of pairs",
        drawn,
    )


def _unscaled(scaled: Floats, mean_x: float, reach_x: float, reach_y: float) -> Floats:
    """Covariance of (intercept, slope) from that of (height at the mean of x, slope) in scaled units."""
    var_m = scaled[0, 0] * reach_y**2
    cov = scaled[0, 1] * reach_y * reach_y / reach_x
    var_b = scaled[1, 1] * (reach_y / reach_x) ** 2
    return np.array(
        [
            [max(var_m - 2 * mean_x * cov + mean_x**2 * var_b, 0.0), cov - mean_x * var_b],
            [cov - mean_x * var_b, var_b],
        ]
    )
