"""Limits of agreement from ranks: no distribution assumed, bounds allowed where they cannot matter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.lines import level_checked
from stanch.verify.records import Bounded

__all__ = ["RankLimits", "difference_bounds", "limits_from_ranks"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RankLimits:
    """Median difference and the quantiles that hold the middle share of differences.

    Parameters
    ----------
    n : int
        Differences.
    bounds : int
        Differences of which only a bound, or nothing, is known.
    median, lower, upper : Bounded
        [unit].
    coverage : float
        Share of differences between the limits [-].
    """

    n: int
    bounds: int
    median: Bounded
    lower: Bounded
    upper: Bounded
    coverage: float


def difference_bounds(
    x: ArrayLike,
    y: ArrayLike,
    *,
    x_below: ArrayLike | None = None,
    x_above: ArrayLike | None = None,
    y_below: ArrayLike | None = None,
    y_above: ArrayLike | None = None,
) -> tuple[Floats, Floats]:
    """Smallest and largest value each difference y - x can have when results may be bounds.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        Results, or their bounds [unit].
    x_below, x_above, y_below, y_above : array_like of bool, shape (sample,), optional
        Where a result is only known to lie below or above its bound.

    Returns
    -------
    tuple of ndarray
        [unit]; infinite where open.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    flags = [
        np.zeros(xs.shape, dtype=bool) if flag is None else np.asarray(flag, dtype=bool)
        for flag in (x_below, x_above, y_below, y_above)
    ]
    d = ys - xs
    low = np.where(flags[1] | flags[2], -np.inf, d)
    high = np.where(flags[0] | flags[3], np.inf, d)
    return low, high


def limits_from_ranks(
    low: ArrayLike, high: ArrayLike | None = None, *, coverage: float = 0.95, level: float = 0.95, unit: str = ""
) -> RankLimits:
    """Median and limits of agreement as quantiles, with intervals from binomial ranks.

    Parameters
    ----------
    low, high : array_like, shape (sample,)
        Smallest and largest value each difference can have; the same, or `high` left out, where it is known [unit].
    coverage : float
        Share of differences to lie between the limits [-].
    level : float
        [-].
    unit : str

    Returns
    -------
    RankLimits
        A limit or end that would change with the unknown part of a bound is left open, with the reason.

    Raises
    ------
    InputError
        If there are fewer than three differences or a coverage outside 0 to 1.

    Notes
    -----
    Quantile of rank p (n + 1), linear between neighbours, held at the extremes; the interval's ranks are the nearest
    that leave at most (1 - level)/2 binomial probability on each side (Conover WJ, Practical Nonparametric Statistics,
    from memory).

    Examples
    --------
    >>> found = limits_from_ranks([float(i) for i in range(1, 100)], coverage=0.9)
    >>> found.lower.value, found.median.value, found.upper.value
    (5.0, 50.0, 95.0)
    """
    level_checked(level)
    lows = np.asarray(low, dtype=np.float64)
    highs = lows if high is None else np.asarray(high, dtype=np.float64)
    if lows.ndim != 1 or lows.shape != highs.shape or lows.size < 3:
        raise InputError("differences", got=f"{lows.size} and {highs.size}", allowed="at least 3, as many low as high")
    if np.isnan(lows).any() or np.isnan(highs).any() or (lows > highs).any():
        raise InputError("bounds of the differences", got="not numbers, or low above high", allowed="low <= high")
    if not 0 < coverage < 1:
        raise InputError("coverage", got=coverage, allowed="above 0 and below 1, such as 0.95")
    ordered = np.sort(lows), np.sort(highs)
    tail = (1 - coverage) / 2
    found = [_quantile(ordered, p, level, unit) for p in (0.5, tail, 1 - tail)]
    return RankLimits(int(lows.size), int((lows < highs).sum()), found[0], found[1], found[2], coverage)


def _quantile(ordered: tuple[Floats, Floats], p: float, level: float, unit: str) -> Bounded:
    n = ordered[0].size
    # Whole up to rounding is whole: 0.05 times 100 must be rank 5.
    rank = p * (n + 1)
    rank = round(rank) if abs(rank - round(rank)) < 1e-9 * n else rank
    values = [_at_rank(side, rank) for side in ordered]
    if values[0] != values[1] or not math.isfinite(values[0]):
        reach = " to ".join("open" if math.isinf(v) else f"{v:.6g}" for v in values)
        return Bounded.missing(
            f"Results known only as bounds reach this rank; it lies in: {reach} {unit}".strip() + ".", unit
        )
    first, last = _interval_ranks(n, p, level)
    why = []
    if rank < 1 or rank > n:
        why.append(f"{n} differences are too few for this quantile: the most extreme one stands for it.")
    ends: list[float | None] = []
    for place in (first, last):
        if not 1 <= place <= n:
            ends.append(None)
            why.append("Too few differences for this end of the interval.")
            continue
        pair = ordered[0][place - 1], ordered[1][place - 1]
        ends.append(float(pair[0]) if pair[0] == pair[1] and math.isfinite(pair[0]) else None)
        if ends[-1] is None:
            why.append("Results known only as bounds reach this end of the interval.")
    return Bounded(values[0], ends[0], ends[1], unit, level, " ".join(why))


def _at_rank(ordered: Floats, rank: float) -> float:
    held = min(max(rank, 1.0), float(ordered.size))
    below = math.floor(held)
    share = held - below
    one = float(ordered[below - 1])
    if share == 0:
        return one
    two = float(ordered[below])
    return one if one == two else one + share * (two - one)


def _interval_ranks(n: int, p: float, level: float) -> tuple[int, int]:
    """Ranks of the interval of a quantile; 0 or n + 1 where there is none."""
    from scipy import stats

    tail = (1 - level) / 2
    first = int(stats.binom.ppf(tail, n, p))
    if float(stats.binom.cdf(first, n, p)) <= tail:
        first += 1
    last = int(stats.binom.ppf(1 - tail, n, p)) + 1
    return first, last
