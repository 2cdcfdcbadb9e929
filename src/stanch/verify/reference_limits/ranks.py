"""Reference limits by ranks, and the exact binomial ranks of their intervals."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.quantile_ranks import least_size, rank_interval
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.limits import ReferenceLimits, Side, probabilities, reference_values

__all__ = ["Bounds", "bounds_of_ranks", "nonparametric_limits", "quantile_rank"]

Floats = NDArray[np.float64]
Rank = Literal["weibull", "hazen", "linear", "median_unbiased", "normal_unbiased"]

# Rank of the quantile p among n values: n p + m, with m = a + b p.
_PLOTTING = {
    "weibull": (0.0, 1.0),
    "hazen": (0.5, 0.0),
    "linear": (1.0, -1.0),
    "median_unbiased": (1 / 3, 1 / 3),
    "normal_unbiased": (3 / 8, 1 / 4),
}


class Bounds:
    """Ordered values of which some are known only as bounds.

    A value ``<x`` may lie anywhere below x, so the k-th smallest lies between the k-th smallest of all lowest
    possibilities and the k-th smallest of all highest ones. Where the two are equal it is known.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Values and bounds [unit].
    below, above : ndarray of bool, shape (n,), optional
        Which are ``<x`` and ``>x``.
    """

    def __init__(self, values: Floats, below: ArrayLike | None = None, above: ArrayLike | None = None) -> None:
        lower, upper = _flags(values, below, "below"), _flags(values, above, "above")
        self.n = int(values.size)
        self.low = np.sort(np.where(lower, -np.inf, values))
        self.high = np.sort(np.where(upper, np.inf, values))

    def at(self, rank: int) -> float | None:
        """The value of this rank, counted from 1 [unit]; None where only bounds are known."""
        low, high = float(self.low[rank - 1]), float(self.high[rank - 1])
        return low if low == high else None

    def between(self, rank: float) -> float | None:
        """The value at a fractional rank, by the straight line between neighbours [unit]."""
        held = min(max(rank, 1.0), float(self.n))
        k = min(math.floor(held), self.n)
        share = held - k
        first = self.at(k)
        if share == 0 or k == self.n or first is None:
            return first
        second = self.at(k + 1)
        return None if second is None else first + share * (second - first)


def bounds_of_ranks(values: Floats, below: ArrayLike | None = None, above: ArrayLike | None = None) -> Bounds:
    """Ordered values with bounds.

    Parameters
    ----------
    values : ndarray, shape (n,)
        [unit].
    below, above : array_like of bool, shape (n,), optional

    Returns
    -------
    Bounds
    """
    return Bounds(values, below, above)


def quantile_rank(n: int, p: float, definition: Rank = "weibull") -> float:
    """Rank of a quantile among ordered values, fractional and not clamped.

    Parameters
    ----------
    n : int
    p : float
        [-].
    definition : str
        ``weibull`` is p (n + 1).

    Returns
    -------
    float
        [-].

    Notes
    -----
    Hyndman RJ, Fan Y. Am Stat 50:361-365 (1996), from memory; the names are NumPy's.
    """
    if definition not in _PLOTTING:
        raise InputError("definition of the rank", got=definition, allowed=", ".join(_PLOTTING))
    a, b = _PLOTTING[definition]
    return n * p + a + b * p


def nonparametric_limits(
    values: ArrayLike,
    *,
    coverage: float = 0.95,
    side: Side = "two",
    level: float = 0.90,
    definition: Rank = "weibull",
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    unit: str = "",
) -> ReferenceLimits:
    """Reference limits by ranks, with exact intervals.

    Parameters
    ----------
    values : array_like, shape (person,)
        One value per reference individual; for a censored one its bound [unit].
    coverage : float
        [-].
    side : str
        ``two``, ``lower`` or ``upper``.
    level : float
        Of the intervals of the limits [-].
    definition : str
        Rank of a quantile; ``weibull`` is p (n + 1).
    below, above : array_like of bool, shape (person,), optional
        Which values are ``<x`` and ``>x``.
    unit : str

    Returns
    -------
    ReferenceLimits

    Raises
    ------
    InputError
        If there are fewer than three values.
    """
    x = reference_values(values, level)
    ordered = Bounds(x, below, above)
    found: dict[str, Bounded] = {}
    ranks: dict[str, tuple[int | None, int | None]] = {}
    for which, p in probabilities(coverage, side).items():
        ranks[which] = rank_interval(ordered.n, p, level)
        found[which] = _limit(ordered, quantile_rank(ordered.n, p, definition), ranks[which], p, level, unit)
    return ReferenceLimits(
        "non-parametric",
        "ranks from the binomial distribution",
        ordered.n,
        coverage,
        side,
        found.get("lower"),
        found.get("upper"),
        ordered.between((ordered.n + 1) / 2),
        ranks,
    )


def _limit(
    ordered: Bounds, rank: float, ends: tuple[int | None, int | None], p: float, level: float, unit: str
) -> Bounded:
    value = ordered.between(rank)
    if value is None:
        return Bounded.missing("The values at the rank of this limit are known only as bounds.", unit)
    why: list[str] = []
    if not 1 <= rank <= ordered.n:
        why.append(f"{ordered.n} values are too few: the rank {rank:.3g} is beyond them and the outermost is taken.")
    if None in ends:
        why.append(f"An interval end is missing: both need at least {least_size(p, level)} values.")
    low, high = (None if r is None else ordered.at(r) for r in ends)
    if (ends[0] is not None and low is None) or (ends[1] is not None and high is None):
        why.append("An interval end is known only as a bound.")
    return Bounded(
        value,
        None if low is None else min(low, value),
        None if high is None else max(high, value),
        unit,
        level,
        " ".join(why),
    )


def _flags(values: Floats, given: ArrayLike | None, name: str) -> NDArray[np.bool_]:
    if given is None:
        return np.zeros(values.shape, dtype=bool)
    flags = np.asarray(given, dtype=bool)
    if flags.shape != values.shape:
        raise InputError(name, got=f"{flags.size} flags", allowed=f"{values.size}, one per value")
    return flags
