"""How far predictions lie from the plateau, plateaus still rising included."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.hold.survival import masses, quantile_interval
from stanch.verify.records import Bounded

__all__ = ["Accuracy", "accuracy", "clustered_share", "resampled", "worth"]

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

CELLS = 4_000_000
"""Numbers held at once while resampling [-]."""


@dataclass(frozen=True)
class Accuracy:
    """Errors of out-of-sample predictions, relative to the plateau.

    Parameters
    ----------
    median, ninety : Bounded
        Absolute relative error that half and 90 % of curves stay within [%].
    rms : Bounded
        Root mean square of the logarithmic error [-].
    left : Bounded
        `rms` over that of knowing nothing but other plateaus: 1 means that the early reading tells nothing [-].
    bias : float
        Mean logarithmic error, plateau over prediction [-].
    n, open : int
        Curves, and plateaus among them known only as a bound.
    donors : int
    """

    median: Bounded
    ninety: Bounded
    rms: Bounded
    left: Bounded
    bias: float
    n: int
    open: int
    donors: int


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


def accuracy(
    predicted: ArrayLike,
    plateau: ArrayLike,
    above: ArrayLike,
    donor: ArrayLike,
    nothing: ArrayLike,
    *,
    level: float = 0.90,
    resamples: int = 1000,
    seed: int = 0,
) -> Accuracy:
    """Summaries of the prediction errors with intervals by donor.

    Parameters
    ----------
    predicted : array_like, shape (n,)
        Logarithm of the predicted plateau [-].
    plateau : array_like, shape (n,)
        Logarithm of the plateau or of its lower bound [-].
    above : array_like of bool, shape (n,)
        Which are bounds.
    donor : array_like of int, shape (n,)
        Numbers 0 .. donors - 1.
    nothing : array_like, shape (n,)
        Logarithm predicted without the early reading [-].
    level : float
        [-].
    resamples, seed : int
        Of donors.

    Returns
    -------
    Accuracy

    Notes
    -----
    An error whose plateau is a bound is itself known only to be larger (plateau over prediction): Kaplan-Meier.
    Quantiles have intervals by order statistics, with the number of curves reduced to what they are worth where
    donors have several or plateaus are open (variance of the share by resampling donors); other intervals are
    percentiles of the resamples (Efron B, Tibshirani R. An Introduction to the Bootstrap, 1993, from memory).
    """
    y, hidden = np.asarray(plateau, dtype=np.float64), np.asarray(above, dtype=bool)
    who = np.unique(np.asarray(donor), return_inverse=True)[1].reshape(-1)
    count = int(who.max()) + 1
    if count < 2:
        raise InputError("donors", got=count, allowed="two or more")
    error, blind = y - np.asarray(predicted, dtype=np.float64), y - np.asarray(nothing, dtype=np.float64)
    found = masses(error, hidden)
    # Beyond the range of floating point an error is as good as infinite.
    size = 100.0 * np.abs(np.expm1(np.minimum(-found.value, 700.0)))
    single = count == y.size and not hidden.any()
    quantiles = {share: _value(size, found.mass, share) for share in (0.5, 0.9)}
    shares: dict[float, list[Floats]] = {0.5: [], 0.9: []}
    roots: list[Floats] = []
    ratios: list[Floats] = []
    for draws in resampled(count, resamples, seed, y.size):
        weight = draws[:, who]
        again = masses(error, hidden, weight)
        root = _rms(again.value, again.mass, again.rest)
        bare = masses(blind, hidden, weight)
        roots.append(root)
        under = _rms(bare.value, bare.mass, bare.rest)
        ratios.append(np.divide(root, under, out=np.full(root.shape, np.nan), where=under > 0))
        for share, value in quantiles.items():
            if not single and value is not None:
                shares[share].append((again.mass * (size <= value)).sum(axis=-1))
    effective = {
        share: float(y.size) if single or not shares[share] else worth(np.concatenate(shares[share]), share, y.size)
        for share in shares
    }
    halves = [
        quantile_interval(size, found.mass, share, effective=effective[share], level=level, unit="%", lowest=0.0)
        for share in (0.5, 0.9)
    ]
    whole = masses(blind, hidden)
    rms = float(_rms(found.value, found.mass, found.rest))
    alone = float(_rms(whole.value, whole.mass, whole.rest))
    bias = float((found.mass * found.value).sum() + found.rest * found.value[-1])
    left = (
        _percentiles(rms / alone, np.concatenate(ratios), level)
        if alone > 0
        else Bounded.missing("All plateaus are the same.", "1")
    )
    return Accuracy(
        halves[0],
        halves[1],
        _percentiles(rms, np.concatenate(roots), level),
        left,
        bias,
        int(y.size),
        int(hidden.sum()),
        count,
    )


def _value(size: Floats, mass: Floats, share: float) -> float | None:
    order = np.argsort(size, kind="stable")
    reached = np.cumsum(mass[order])
    k = int(np.searchsorted(reached, share - 1e-9, side="left"))
    return float(size[order][k]) if k < size.size else None


def _rms(value: Floats, mass: Floats, rest: Floats) -> Floats:
    """The share beyond the last number is put at it (Efron), so this is a lower bound where there is one."""
    return np.asarray(np.sqrt((mass * value**2).sum(axis=-1) + rest * value[-1] ** 2))


def _percentiles(value: float, draws: Floats, level: float) -> Bounded:
    kept = draws[np.isfinite(draws)]
    if kept.size < 20:
        return Bounded(value, unit="1", level=level, why="Too few resamples for an interval.")
    low, high = np.quantile(kept, [(1 - level) / 2, (1 + level) / 2])
    return Bounded(value, min(float(low), value), max(float(high), value), "1", level)
