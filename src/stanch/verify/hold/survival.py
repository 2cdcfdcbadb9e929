"""Shares and quantiles of numbers some of which are only known to be larger: Kaplan-Meier, with weights."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.verify.records import Bounded

__all__ = ["Masses", "masses", "quantile_interval", "share_variance"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Masses:
    """The share that each number carries.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Sorted [unit].
    mass : ndarray, shape (..., n)
        Kaplan-Meier share at each number, 0 at those known only to be larger [-].
    rest : ndarray, shape (...)
        Share beyond the last number, about which nothing is known [-].
    order : ndarray of int, shape (n,)
        Places of the sorted numbers in what was given.
    """

    value: Floats
    mass: Floats
    rest: Floats
    order: NDArray[np.intp]


def masses(value: ArrayLike, above: ArrayLike, weight: ArrayLike | None = None) -> Masses:
    """Kaplan-Meier masses of right-censored numbers.

    Parameters
    ----------
    value : array_like, shape (n,)
        Numbers or lower bounds [unit].
    above : array_like of bool, shape (n,)
        Which are bounds.
    weight : array_like, shape (..., n), optional
        How often each is counted, by resample [-].

    Returns
    -------
    Masses

    Notes
    -----
    Kaplan EL, Meier P. J Am Stat Assoc 53:457-481 (1958), from memory. Right when what hides a number says nothing
    about it beyond the bound.
    """
    x, hidden = np.asarray(value, dtype=np.float64), np.asarray(above, dtype=bool)
    order = np.lexsort((hidden, x))
    w = np.ones(x.size) if weight is None else np.asarray(weight, dtype=np.float64)[..., order]
    event = ~hidden[order]
    risk = np.cumsum(w[..., ::-1], axis=-1)[..., ::-1]
    if event.all():
        total = risk[..., :1]
        return Masses(x[order], w / total, np.zeros(w.shape[:-1]), order)
    hazard = np.divide(w * event, risk, out=np.zeros_like(risk), where=risk > 0)
    left = np.cumprod(1.0 - hazard, axis=-1)
    before = np.concatenate([np.ones((*left.shape[:-1], 1)), left[..., :-1]], axis=-1)
    return Masses(x[order], before * hazard, left[..., -1], order)


def share_variance(value: ArrayLike, above: ArrayLike, donor: ArrayLike, at: float) -> float:
    """Variance of the Kaplan-Meier share up to a number, donors being independent and their curves not.

    Parameters
    ----------
    value : array_like, shape (n,)
        Numbers or lower bounds [unit].
    above : array_like of bool, shape (n,)
        Which are bounds.
    donor : array_like of int, shape (n,)
        0 .. donors - 1.
    at : float
        [unit].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Sum over donors of squared influence values (infinitesimal jackknife: Efron B. The Jackknife, the Bootstrap and
    Other Resampling Plans, 1982, from memory); for donors with one curve it is Greenwood's formula.
    """
    x, hidden = np.asarray(value, dtype=np.float64), np.asarray(above, dtype=bool)
    order = np.lexsort((hidden, x))
    sorted_x, event = x[order], ~hidden[order]
    different, first, place = np.unique(sorted_x, return_index=True, return_inverse=True)
    risk = float(x.size) - first
    events = np.bincount(place, event)
    left = risk - events
    counted = (different <= at) & (left > 0)
    survival = float(np.prod(np.where(different <= at, left / risk, 1.0)))
    # Of one more number: it dies once, and before that it was at risk.
    gone = np.where(counted, 1.0 / np.maximum(left, 1.0), 0.0)
    exposed = np.cumsum(np.where(counted, events / (risk * np.maximum(left, 1.0)), 0.0))
    influence = survival * (exposed[place] - np.where(event, gone[place], 0.0))
    own = np.bincount(np.asarray(donor, dtype=np.intp)[order], influence)
    return float(own @ own)


def quantile_interval(
    size: ArrayLike,
    mass: ArrayLike,
    share: float,
    *,
    effective: float,
    level: float = 0.90,
    unit: str = "",
    lowest: float | None = None,
) -> Bounded:
    """A quantile of a distribution given by masses, with an interval by order statistics.

    Parameters
    ----------
    size : array_like, shape (n,)
        Numbers [unit].
    mass : array_like, shape (n,)
        Share of each; what is missing to 1 lies above all of them [-].
    share : float
        Of the quantile [-].
    effective : float
        How many independent numbers the masses are worth [-].
    level : float
        [-].
    unit : str
    lowest : float, optional
        What no such number can be below [unit].

    Returns
    -------
    Bounded
        [unit]; an end is null where too few numbers were seen for it.

    Notes
    -----
    The r-th of n sorted numbers lies at a Beta(r, n + 1 - r) distributed share of the distribution, whatever that is;
    with n not whole the ranks are taken from the same formula (Woodruff RS. J Am Stat Assoc 47:635-646, 1952, from
    memory).
    """
    x, m = np.asarray(size, dtype=np.float64), np.asarray(mass, dtype=np.float64)
    order = np.argsort(x, kind="stable")
    x, reached = x[order], np.cumsum(m[order])

    def at(p: float) -> float | None:
        # Sums of masses carry rounding errors of some ulps.
        k = int(np.searchsorted(reached, p - 1e-9, side="left"))
        return float(x[k]) if k < x.size else None

    value = at(share)
    if value is None:
        return Bounded.missing("Too much of the distribution lies above what was seen.", unit)
    low_rank, high_rank = _ranks(effective, share, (1 - level) / 2)
    low = lowest if low_rank is None else at(low_rank / effective)
    high = None if high_rank is None else at(high_rank / effective)
    why = "" if high is not None else "Too few curves for an upper limit."
    return Bounded(value, None if low is None else min(low, value), high, unit, level, why)


def _ranks(n: float, share: float, tail: float) -> tuple[float | None, float | None]:
    """Ranks whose numbers bound the quantile from below and above, each with error `tail`."""
    from scipy import optimize, special

    whole = abs(n - round(n)) < 1e-9

    def beyond(rank: float) -> float:
        # Chance that the rank-th number lies at or above the quantile.
        return float(special.betaincc(rank, n + 1 - rank, share))

    high: float | None = None
    if n >= 1 and beyond(n) >= 1 - tail:
        start = min(1.0, n)
        root = start if beyond(start) >= 1 - tail else optimize.brentq(lambda k: beyond(k) - (1 - tail), start, n)
        high = float(math.ceil(root - 1e-9)) if whole else float(root)
    low: float | None = None
    if n >= 1 and beyond(1.0) <= tail:
        root = n if beyond(n) <= tail else optimize.brentq(lambda k: beyond(k) - tail, 1.0, n)
        low = float(math.floor(root + 1e-9)) if whole else float(root)
    return low, high
