"""Control charts: one result at a time, moving ranges, subgroups, weighted averages and cumulative sums."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.control.constants import c4, d2, d3
from stanch.verify.intervals import checked
from stanch.verify.scales import grouped

__all__ = [
    "Chart",
    "Subgroups",
    "Sums",
    "cumulative_sums",
    "individuals",
    "moving_ranges",
    "scale",
    "subgroups",
    "weighted_averages",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Scale = Literal["moving range", "sd", "pooled runs"]


@dataclass(frozen=True)
class Chart:
    """Values against a centre line and limits.

    Parameters
    ----------
    value : ndarray, shape (point,)
        [unit].
    centre, sigma : float
        Centre line and the standard deviation of one result [unit].
    low, high : ndarray, shape (point,)
        Control limits [unit].
    signal : ndarray of bool, shape (point,)
        Strictly outside them.
    """

    value: Floats
    centre: float
    sigma: float
    low: Floats
    high: Floats
    signal: Flags


@dataclass(frozen=True)
class Subgroups:
    """Charts of subgroup means and of the spread inside subgroups.

    Parameters
    ----------
    names : tuple of str
        Subgroups in the order of their first result.
    size : ndarray of int, shape (subgroup,)
    mean, spread : Chart
        Means; ranges or standard deviations. A subgroup of one has a spread of NaN, which never signals.
    mean_spread : float
        Mean range, or mean standard deviation, of the baseline [unit].
    """

    names: tuple[str, ...]
    size: NDArray[np.intp]
    mean: Chart
    spread: Chart
    mean_spread: float


@dataclass(frozen=True)
class Sums:
    """Tabular cumulative sums.

    Parameters
    ----------
    high, low : ndarray, shape (point,)
        Upper sum and lower sum, both counted upwards from zero [unit].
    limit : float
        Decision limit h [unit].
    signal_high, signal_low : ndarray of bool, shape (point,)
        Strictly above it.
    first : int or None
        First point that signals, counted from 1.
    """

    high: Floats
    low: Floats
    limit: float
    signal_high: Flags
    signal_low: Flags
    first: int | None


def _base(x: Floats, baseline: ArrayLike | None, least: int) -> Floats:
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


def _positive(sigma: float, what: str) -> float:
    if not (math.isfinite(sigma) and sigma > 0):
        raise InputError(what, got=sigma, allowed="above 0", do="Give the standard deviation, or vary the baseline.")
    return float(sigma)


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
    return float(_moving(values, span).mean()) / d2(span, rounded=rounded)


def _moving(x: Floats, span: int) -> Floats:
    if not 2 <= span <= x.size:
        raise InputError("span of the moving range", got=span, allowed=f"2 to {x.size}, the number of results")
    windows = np.lib.stride_tricks.sliding_window_view(x, span)
    return np.asarray(windows.max(axis=1) - windows.min(axis=1), dtype=np.float64)


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
        centre = float(_base(values, baseline, 1).mean())
    if sigma is None:
        runs = None if run is None else (np.asarray(run) if baseline is None else np.asarray(run)[np.asarray(baseline)])
        sigma = scale(_base(values, baseline, 2), method=method, run=runs, rounded=rounded)
    sigma = _positive(sigma, "standard deviation of the control")
    half = _positive(width, "width of the limits") * sigma
    return _chart(values, centre, sigma, np.full(values.size, centre - half), np.full(values.size, centre + half))


def _chart(value: Floats, centre: float, sigma: float, low: Floats, high: Floats) -> Chart:
    return Chart(value, float(centre), float(sigma), low, high, (value < low) | (value > high))


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
    ranges = _moving(checked(x, "control results", least=2), span)
    sigma = _positive(sigma, "standard deviation of the control")
    middle = d2(span, rounded=rounded)
    low, high = max(0.0, middle - width * d3(span)) * sigma, (middle + width * d3(span)) * sigma
    return _chart(ranges, middle * sigma, sigma, np.full(ranges.size, low), np.full(ranges.size, high))


def subgroups(
    x: ArrayLike,
    group: ArrayLike,
    *,
    by: Literal["range", "sd"] = "range",
    centre: float | None = None,
    sigma: float | None = None,
    baseline: ArrayLike | None = None,
    width: float = 3.0,
    rounded: bool = False,
) -> Subgroups:
    """Charts of subgroup means and of the spread inside subgroups, of equal or unequal size.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    group : array_like of str, shape (result,)
        Subgroup of each result.
    by : str
        Spread as ``range`` (over d2) or ``sd`` (over c4); with unequal sizes the mean over subgroups of the quotient.
    centre, sigma : float, optional
        [unit]; else from the baseline.
    baseline : array_like of bool, shape (result,), optional
        A subgroup belongs to it when all its results do.
    width : float
        [-].
    rounded : bool
        d2 to three decimals.

    Returns
    -------
    Subgroups
    """
    values = checked(x, "control results", least=2)
    names, index = grouped(group)
    first = np.unique(index, return_index=True)[1]
    if index.size != values.size:
        raise InputError("subgroups", got=f"{index.size} names", allowed=f"one for each of {values.size} results")
    count = np.bincount(index)
    shifted = values - values[first][index]
    mean = values[first] + np.bincount(index, shifted) / count
    order = np.argsort(index, kind="stable")
    starts = np.concatenate(([0], np.cumsum(count)[:-1]))
    if by == "range":
        spread = np.maximum.reduceat(values[order], starts) - np.minimum.reduceat(values[order], starts)
    else:
        squares = np.bincount(index, (values - mean[index]) ** 2)
        spread = np.sqrt(squares / np.maximum(count - 1, 1))
    base = np.ones(count.size, dtype=bool)
    if baseline is not None:
        base[index[~np.asarray(baseline, dtype=bool)]] = False
    several = base & (count > 1)
    if not several.any():
        raise InputError("baseline subgroups", got="none with two results", allowed="at least one")
    sizes, inverse = np.unique(count, return_inverse=True)
    middle = np.array([(d2(int(n), rounded=rounded) if by == "range" else c4(int(n))) if n > 1 else 1.0 for n in sizes])
    around = np.array(
        [(d3(int(n)) if by == "range" else math.sqrt(1 - c4(int(n)) ** 2)) if n > 1 else 0.0 for n in sizes]
    )
    unit_mean, unit_sd = middle[inverse], around[inverse]
    if sigma is None:
        sigma = float((spread[several] / unit_mean[several]).mean())
    sigma = _positive(sigma, "standard deviation inside subgroups")
    if centre is None:
        centre = float(np.average(mean[base], weights=count[base]))
    half = width * sigma / np.sqrt(count)
    low, high = np.maximum(0.0, unit_mean - width * unit_sd) * sigma, (unit_mean + width * unit_sd) * sigma
    shown = np.where(count > 1, spread, np.nan)
    return Subgroups(
        tuple(str(name) for name in names),
        count,
        _chart(mean, centre, sigma, centre - half, centre + half),
        _chart(shown, float(unit_mean[several].mean()) * sigma, sigma, low, high),
        float(spread[several].mean()),
    )


def weighted_averages(
    x: ArrayLike,
    *,
    centre: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
    limits: Literal["varying", "asymptotic"] = "varying",
    start: float | None = None,
) -> Chart:
    """Exponentially weighted moving averages (EWMA).

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    centre, sigma : float
        [unit].
    weight : float
        Of the newest result, above 0 up to 1 [-].
    width : float
        [-].
    limits : str
        ``varying`` (exact at every point, narrower at the start) or ``asymptotic``.
    start : float, optional
        Average before the first result [unit]; the centre when not given.

    Returns
    -------
    Chart

    Notes
    -----
    Roberts SW. Technometrics 1:239-250 (1959), from memory; NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    from scipy import signal

    values = checked(x, "control results", least=1)
    sigma = _positive(sigma, "standard deviation of the control")
    if not 0 < weight <= 1:
        raise InputError("weight of the newest result", got=weight, allowed="above 0, at most 1")
    begin = centre if start is None else start
    # About the centre, so that a large mean does not eat the digits of a small scatter.
    made, _ = signal.lfilter([weight], [1.0, weight - 1.0], values - centre, zi=[(1 - weight) * (begin - centre)])
    half = width * sigma * math.sqrt(weight / (2 - weight))
    if limits == "varying":
        steps = np.arange(1, values.size + 1, dtype=np.float64)
        factor = np.sqrt(1 - (1 - weight) ** (2 * steps))
    else:
        factor = np.ones(values.size)
    return _chart(centre + np.asarray(made), centre, sigma, centre - half * factor, centre + half * factor)


def cumulative_sums(x: ArrayLike, *, target: float, k: float, h: float, headstart: float = 0.0) -> Sums:
    """Tabular cumulative sums (CUSUM), not started anew after a signal.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    target : float
        [unit].
    k : float
        Allowance, half the shift to be found [unit].
    h : float
        Decision limit [unit].
    headstart : float
        Both sums before the first result [unit]; half of h is common (Lucas & Crosier 1982, from memory).

    Returns
    -------
    Sums

    Notes
    -----
    Page ES. Biometrika 41:100-115 (1954), from memory; NIST/SEMATECH e-Handbook 6.3.2.3. The sum max(0, s + d) equals
    the partial sum less its running minimum, so a long series needs no loop.
    """
    values = checked(x, "control results", least=1)
    h = _positive(h, "decision limit h")
    if not k >= 0:
        raise InputError("allowance k", got=k, allowed="zero or above")
    if not 0 <= headstart < h:
        raise InputError("headstart", got=headstart, allowed="zero or above, below h")

    def sums(steps: Floats) -> Floats:
        total = np.cumsum(steps)
        return np.asarray(total - np.minimum(np.minimum.accumulate(total), -headstart), dtype=np.float64)

    high, low = sums(values - target - k), sums(target - values - k)
    flags = (high > h) | (low > h)
    first = int(np.argmax(flags)) + 1 if flags.any() else None
    return Sums(high, low, h, high > h, low > h, first)
