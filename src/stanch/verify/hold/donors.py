"""Donors drawn again, and what their curves are worth when they have several."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.verify.records import Bounded

__all__ = ["MOST", "clustered_share", "design_effect", "merged", "renumbered", "resampled", "worth"]

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

CELLS = 1_000_000
"""Numbers held at once while resampling [-]."""

MOST = 2000
"""Donors beyond which they are merged at random into so many groups [-]."""


def renumbered(donor: ArrayLike) -> Whole:
    """Donors numbered without gaps.

    Parameters
    ----------
    donor : array_like of int, shape (n,)
        0 or more.

    Returns
    -------
    ndarray of int, shape (n,)
        0 .. donors - 1, in the same order.
    """
    who = np.asarray(donor, dtype=np.intp)
    seen = np.bincount(who) > 0
    return np.asarray((np.cumsum(seen) - 1)[who], dtype=np.intp)


def merged(donor: ArrayLike, seed: int) -> Whole:
    """Numbers of donors, or of random groups of donors where there are many.

    Parameters
    ----------
    donor : array_like of int, shape (n,)
        0 .. donors - 1.
    seed : int

    Returns
    -------
    ndarray of int, shape (n,)
        0 .. groups - 1.

    Notes
    -----
    Groups of independent donors are independent, so resampling them tells the same spread; only its own error grows,
    to that of 2000 independent ones.
    """
    who = np.asarray(donor, dtype=np.intp)
    count = int(who.max()) + 1 if who.size else 0
    if count <= MOST:
        return who
    return np.asarray((np.random.default_rng(seed).permutation(count) % MOST)[who], dtype=np.intp)


def resampled(donors: int, resamples: int, seed: int, size: int) -> Iterator[Floats]:
    """How often each donor is drawn in resamples, some resamples at a time.

    Parameters
    ----------
    donors, resamples, seed : int
    size : int
        Curves, so that memory stays bounded.

    Yields
    ------
    ndarray, shape (resample, donor)
        [-].
    """
    rng = np.random.default_rng(seed)
    step = max(1, CELLS // max(size, donors))
    for start in range(0, resamples, step):
        count = min(step, resamples - start)
        yield rng.multinomial(donors, np.full(donors, 1.0 / donors), size=count).astype(np.float64)


def worth(shares: ArrayLike, share: float, most: int) -> float:
    """How many independent curves a share is worth whose resampled values are these.

    Parameters
    ----------
    shares : array_like, shape (resample,)
        [-].
    share : float
        Itself [-].
    most : int
        Curves.

    Returns
    -------
    float
        [-].
    """
    spread = float(np.var(np.asarray(shares, dtype=np.float64), ddof=1))
    if spread <= 0:
        return float(most)
    return float(min(most, share * (1 - share) / spread))


def clustered_share(value: float, effective: float, *, level: float = 0.90) -> Bounded:
    """A share with the exact binomial interval for so many independent curves.

    Parameters
    ----------
    value : float
        [-].
    effective : float
        What the curves are worth; need not be whole [-].
    level : float
        [-].

    Returns
    -------
    Bounded
        [-].

    Notes
    -----
    Korn EL, Graubard BI. Surv Methodol 24:193-201 (1998), from memory.
    """
    from scipy import special

    count, tail = value * effective, (1 - level) / 2
    low = 0.0 if value <= 0 else float(special.betaincinv(count, effective - count + 1, tail))
    high = 1.0 if value >= 1 else float(special.betaincinv(count + 1, effective - count, 1 - tail))
    return Bounded(value, min(low, value), max(high, value), "1", level)


def design_effect(value: ArrayLike, donor: ArrayLike, *, tail: float = 0.10) -> float:
    """By how much several curves per donor may widen the variance of a standard deviation.

    Parameters
    ----------
    value : array_like, shape (n,)
        Errors [-].
    donor : array_like of int, shape (n,)
        0 .. donors - 1.
    tail : float
        Chance that the correlation within donors is larger than assumed [-].

    Returns
    -------
    float
        1 where every donor has one curve [-].

    Notes
    -----
    Squares of normal numbers with correlation r are correlated by r^2; r is taken at its upper limit from the
    variances between and within donors (exact for equal numbers of curves: Donner A, Wells G. Biometrics 42:401-412,
    1986, from memory).
    """
    from scipy import special

    x, who = np.asarray(value, dtype=np.float64), np.asarray(donor, dtype=np.intp)
    count = np.bincount(who).astype(np.float64)
    n, donors = x.size, count.size
    if donors == n:
        return 1.0
    mean = np.bincount(who, x) / count
    between = float((count * (mean - x.mean()) ** 2).sum()) / (donors - 1)
    within = float(((x - mean[who]) ** 2).sum()) / (n - donors)
    squares = float(count @ count)
    typical = (n - squares / n) / (donors - 1)
    correlation = 1.0
    if within > 0:
        f = between / within / float(special.fdtri(donors - 1, n - donors, tail))
        correlation = min(1.0, max(0.0, (f - 1) / (f + typical - 1)))
    return 1.0 + (squares / n - 1.0) * correlation**2
