"""How far predictions lie from the plateau, plateaus still rising included."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.groups import places
from stanch.verify.hold.lognormal import normal_fits, relative_quantile
from stanch.verify.hold.survival import quantile_interval
from stanch.verify.records import Bounded

__all__ = ["Accuracy", "accuracy", "clustered_share", "resampled", "worth"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
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
    Without open plateaus nothing is assumed: quantiles have intervals by order statistics, with the number of curves
    reduced to what they are worth where donors have several (variance of the share by resampling donors). With open
    plateaus an error is itself known only to be larger; logarithmic errors are then taken as normal and fitted by
    their likelihood, bounds included. Other intervals come from resampled donors, reflected about the
    estimate on logarithms (basic bootstrap: Davison AC, Hinkley DV. Bootstrap Methods and their Application, 1997,
    from memory): percentiles themselves were too short for spreads.
    """
    y, hidden = np.asarray(plateau, dtype=np.float64), np.asarray(above, dtype=bool)
    who = places(donor)
    count = int(who.max()) + 1
    if count < 2:
        raise InputError("donors", got=count, allowed="two or more")
    error, blind = y - np.asarray(predicted, dtype=np.float64), y - np.asarray(nothing, dtype=np.float64)
    summary = _open if hidden.any() else _reached
    median, ninety, rms, left, bias = summary(error, blind, hidden, who, count, (level, resamples, seed))
    return Accuracy(median, ninety, rms, left, bias, int(y.size), int(hidden.sum()), count)


Drawing = tuple[float, int, int]
Summary = tuple[Bounded, Bounded, Bounded, Bounded, float]


def _reached(error: Floats, blind: Floats, hidden: Flags, who: Whole, count: int, drawing: Drawing) -> Summary:
    level, resamples, seed = drawing
    # Beyond the range of floating point an error is as good as infinite.
    size = 100.0 * np.abs(np.expm1(np.minimum(-error, 700.0)))
    equal = np.full(size.size, 1.0 / size.size)
    values = {share: _value(size, equal, share) for share in (0.5, 0.9)}
    single = count == size.size
    shares: dict[float, list[Floats]] = {0.5: [], 0.9: []}
    roots: list[Floats] = []
    ratios: list[Floats] = []
    for draws in resampled(count, resamples, seed, size.size):
        weight = draws[:, who]
        total = weight.sum(axis=1)
        root, under = np.sqrt(weight @ error**2 / total), np.sqrt(weight @ blind**2 / total)
        roots.append(root)
        ratios.append(np.divide(root, under, out=np.full(root.shape, np.nan), where=under > 0))
        for share, value in values.items():
            if not single:
                shares[share].append(weight @ (size <= value) / total)
    effective = {
        share: float(size.size) if single else worth(np.concatenate(shares[share]), share, size.size)
        for share in shares
    }
    median, ninety = (
        quantile_interval(size, equal, share, effective=effective[share], level=level, unit="%", lowest=0.0)
        for share in (0.5, 0.9)
    )
    rms, alone = math.sqrt(float(np.mean(error**2))), math.sqrt(float(np.mean(blind**2)))
    return (
        median,
        ninety,
        _percentiles(rms, np.concatenate(roots), level),
        _over(rms, alone, np.concatenate(ratios), level),
        float(error.mean()),
    )


def _open(error: Floats, blind: Floats, hidden: Flags, who: Whole, count: int, drawing: Drawing) -> Summary:
    level, resamples, seed = drawing
    ones = np.ones((1, error.size))
    (mean, sd), (mean0, sd0) = (normal_fits(e, hidden, ones) for e in (error, blind))
    if not np.isfinite(mean[0]):
        none = Bounded.missing("The reached plateaus do not determine a spread of errors.", "%")
        return none, none, none, none, math.nan
    begin = (float(mean[0]), float(sd[0]))
    begin0 = (float(mean0[0]), float(sd0[0])) if np.isfinite(mean0[0]) else None
    drawn: list[tuple[Floats, Floats, Floats, Floats]] = []
    for draws in resampled(count, resamples, seed, error.size):
        weight = draws[:, who]
        drawn.append((*normal_fits(error, hidden, weight, begin), *normal_fits(blind, hidden, weight, begin0)))
    m, s, m0, s0 = (np.concatenate(column) for column in zip(*drawn))
    median, ninety = (
        _likely(error, hidden, begin, share, relative_quantile(m, s, share), count, level) for share in (0.5, 0.9)
    )
    rms, alone = float(np.hypot(mean, sd)[0]), float(np.hypot(mean0, sd0)[0])
    return (
        median,
        ninety,
        _percentiles(rms, np.hypot(m, s), level),
        _over(rms, alone if math.isfinite(alone) else 0.0, np.hypot(m, s) / np.hypot(m0, s0), level),
        float(mean[0]),
    )


def _likely(
    error: Floats, hidden: Flags, at: tuple[float, float], share: float, draws: Floats, donors: int, level: float
) -> Bounded:
    """Interval on logarithms from the larger of the likelihood's and the resampled donors' standard errors."""
    from scipy import special

    mean, sd = at
    value = float(relative_quantile(mean, sd, share))
    kept = draws[np.isfinite(draws) & (draws > 0)]
    if kept.size < 20 or not value > 0:
        return Bounded(value, unit="%", level=level, why="Too few resamples for an interval.")
    z = (error[hidden] - mean) / sd
    ratio = np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - special.log_ndtr(-z))
    bend = np.maximum(ratio * (ratio - z), 0.0)
    known, end = error[~hidden], error[hidden]
    # In mean/sd and 1/sd, where the second derivatives are simple; then to mean and sd.
    cross = -float(known.sum()) - float(bend @ end)
    last = known.size * sd**2 + float(known @ known) + float(bend @ end**2)
    inverse = np.linalg.inv([[known.size + float(bend.sum()), cross], [cross, last]])
    turn = np.array([[sd, -mean * sd], [0.0, -(sd**2)]])
    step = 1e-4 * sd
    slope = np.array(
        [
            float(relative_quantile(mean + step, sd, share) - relative_quantile(mean - step, sd, share)),
            float(relative_quantile(mean, sd + step, share) - relative_quantile(mean, sd - step, share)),
        ]
    ) / (2 * step * value)
    own = math.sqrt(max(float(slope @ turn @ inverse @ turn.T @ slope), 0.0))
    half = float(special.stdtrit(donors - 1, 0.5 + level / 2)) * max(own, float(np.log(kept).std(ddof=1)))
    if half > 300:
        return Bounded(value, unit="%", level=level, why="The reached plateaus are too few for an interval.")
    return Bounded(value, value * math.exp(-half), value * math.exp(half), "%", level)


def _over(rms: float, alone: float, draws: Floats, level: float) -> Bounded:
    if not alone > 0:
        return Bounded.missing("All plateaus are the same.", "1")
    return _percentiles(rms / alone, draws, level)


def _value(size: Floats, mass: Floats, share: float) -> float:
    order = np.argsort(size, kind="stable")
    k = int(np.searchsorted(np.cumsum(mass[order]), share - 1e-9, side="left"))
    return float(size[order][min(k, size.size - 1)])


def _percentiles(value: float, draws: Floats, level: float, unit: str = "1") -> Bounded:
    """Interval of a size above zero: its resamples reflected about it on logarithms, as a spread is skewed."""
    kept = draws[np.isfinite(draws)]
    if kept.size < 20:
        return Bounded(value, unit=unit, level=level, why="Too few resamples for an interval.")
    low, high = (float(v) for v in np.quantile(kept, [(1 - level) / 2, (1 + level) / 2]))
    if not (value > 0 and low > 0):
        return Bounded(value, min(low, value), max(high, value), unit, level)
    return Bounded(value, min(value * (value / high), value), max(value * (value / low), value), unit, level)
