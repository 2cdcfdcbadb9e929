"""Signed-rank estimate of a shift, its interval and its equivalence test, of any number of pairs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import outcome
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded, Outcome

__all__ = ["RankShift", "rank_shift"]

Floats = NDArray[np.float64]
EXACT = 200
DIRECT = 1500


@dataclass(frozen=True)
class RankShift:
    """Median of the pairwise means of the differences (Hodges-Lehmann) against a margin.

    Parameters
    ----------
    shift : Bounded
        With the interval of level 1 - 2 alpha that decides [unit]; without ends where so few pairs have none.
    p_lower, p_upper, p : float or None
        One-sided signed-rank p values against each end of the margin and the larger of them [-].
    outcome : str
    exact : bool
        Whether the distribution of the ranks was exact or its normal approximation.
    """

    shift: Bounded
    p_lower: float | None
    p_upper: float | None
    p: float | None
    outcome: Outcome
    exact: bool


def rank_shift(
    differences: ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    alpha: float = 0.05,
    unit: str = "",
) -> RankShift:
    """Hodges-Lehmann shift of differences with its signed-rank interval.

    Parameters
    ----------
    differences : array_like, shape (pair,)
        [unit].
    lower, upper : float, optional
        Margin [unit].
    alpha : float
        Of each one-sided test [-].
    unit : str

    Returns
    -------
    RankShift

    Notes
    -----
    Hodges JL, Lehmann EL. Ann Math Statist 34:598-611 (1963), from memory. Ends are order statistics of the pairwise
    means, by the exact distribution up to 200 pairs and its normal approximation with continuity correction beyond;
    tied and zero differences stay in, which makes the interval conservative. Symmetry of the differences is assumed.
    """
    from scipy import special

    if not 0 < alpha < 0.5:
        raise InputError("alpha", got=alpha, allowed="above 0 and below 0.5")
    d = np.sort(checked(differences, "differences", least=1))
    n, total = d.size, d.size * (d.size + 1) // 2
    middle, spread = total / 2, math.sqrt(total * (2 * n + 1) / 12)

    def tail(count: int) -> float:
        """Probability of a signed-rank sum up to `count` when the shift is nil."""
        if n <= EXACT:
            return float(_distribution(n)[count]) if count >= 0 else 0.0
        return float(special.ndtr((count + 0.5 - middle) / spread))

    if n <= EXACT:
        k = int(np.searchsorted(_distribution(n), alpha, side="right"))
    else:
        k = math.floor(middle - 0.5 + spread * float(special.ndtri(alpha))) + 1
    low_place, high_place = (total - 1) // 2, total // 2
    wanted = [low_place, high_place] + ([k - 1, total - k] if k >= 1 else [])
    found = dict(zip(wanted, _pairwise(d, wanted), strict=True))
    value = (found[low_place] + found[high_place]) / 2
    if k >= 1:
        shift = Bounded(value, min(found[k - 1], value), max(found[total - k], value), unit, 1 - 2 * alpha)
    else:
        why = f"With {n} pairs signed ranks give no interval of level {1 - 2 * alpha:g}."
        shift = Bounded(value, unit=unit, level=1 - 2 * alpha, why=why)
    p_lower = None if lower is None else tail(_count(d, lower))
    p_upper = None if upper is None else tail(_count(-d[::-1], -upper))
    both = [p for p in (p_lower, p_upper) if p is not None]
    return RankShift(
        shift, p_lower, p_upper, max(both) if both else None, outcome(shift, lower, upper, point=True), n <= EXACT
    )


@lru_cache(maxsize=64)
def _distribution(n: int) -> Floats:
    """Cumulative distribution of the signed-rank sum of `n` pairs."""
    p = np.zeros(n * (n + 1) // 2 + 1)
    p[0] = 1.0
    for rank in range(1, n + 1):
        p[rank:] = (p[rank:] + p[:-rank]) / 2
        p[:rank] /= 2
    return np.minimum(np.cumsum(p), 1.0)


def _count(d: Floats, t: float) -> int:
    """How many pairwise means (each value with itself too) of sorted values are at or below `t`."""
    if d.size <= DIRECT:
        return int((_all(d) <= t).sum())
    up_to = np.searchsorted(d, 2 * t - d, side="right")
    return int(np.maximum(up_to - np.arange(d.size), 0).sum())


def _all(d: Floats) -> Floats:
    i, j = np.triu_indices(d.size)
    return np.asarray(d[i] / 2 + d[j] / 2, dtype=np.float64)


def _pairwise(d: Floats, places: list[int]) -> list[float]:
    """Order statistics of the pairwise means, counted from 0."""
    if d.size <= DIRECT:
        means = np.sort(_all(d))
        return [float(means[p]) for p in places]
    return [_selected(d, p) for p in places]


def _selected(d: Floats, place: int, most: int = 2_000_000) -> float:
    """One order statistic without the list of all: halve the bracket until what is inside can be listed."""
    low, high = float(d[0]) - abs(float(d[0])) * 1e-15, float(d[-1])
    below, upto = _count(d, low), _count(d, high)
    while upto - below > most:
        middle = low / 2 + high / 2
        if not low < middle < high:
            return high
        count = _count(d, middle)
        if count > place:
            high, upto = middle, count
        else:
            low, below = middle, count
    first = np.maximum(np.searchsorted(d, 2 * low - d, side="right"), np.arange(d.size))
    last = np.maximum(np.searchsorted(d, 2 * high - d, side="right"), first)
    many = last - first
    i = np.repeat(np.arange(d.size), many)
    j = np.arange(i.size) - np.repeat(np.cumsum(many) - many, many) + np.repeat(first, many)
    inside = np.sort(d[i] / 2 + d[j] / 2)
    return float(inside[min(max(place - below, 0), inside.size - 1)])
