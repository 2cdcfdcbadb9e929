"""How far predictions lie from the plateau, plateaus still rising included."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.hold.donors import design_effect, merged, renumbered, resampled, worth
from stanch.verify.hold.lognormal import (
    LARGE,
    covariance,
    normal_fits,
    one_step_fits,
    relative_quantile,
    residuals,
)
from stanch.verify.hold.survival import quantile_interval
from stanch.verify.records import Bounded

__all__ = ["Accuracy", "accuracy"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Whole = NDArray[np.intp]


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
    their likelihood, bounds included. A quantile then has the chi-square interval of a standard deviation, on
    logarithms of 1 + error: its degrees of freedom are those whose standard error is the larger of the likelihood's
    (widened for several curves per donor) and the resampled donors', less two for the line, each divided by the share
    of plateaus reached. That they suffice was found by simulation (``benchmarks/verification_coverage_assay.py``).
    Other intervals come from resampled donors, reflected about the estimate on logarithms (basic bootstrap: Davison
    AC, Hinkley DV. Bootstrap Methods and their Application, 1997, from memory): percentiles themselves were too short
    for spreads. Beyond 2000 donors random groups of donors are resampled.
    """
    y, hidden = np.asarray(plateau, dtype=np.float64), np.asarray(above, dtype=bool)
    who = renumbered(donor)
    count = int(who.max()) + 1
    if count < 2:
        raise InputError("donors", got=count, allowed="two or more")
    error, blind = y - np.asarray(predicted, dtype=np.float64), y - np.asarray(nothing, dtype=np.float64)
    summary = _open if hidden.any() else _reached
    median, ninety, rms, left, bias = summary(error, blind, hidden, who, (level, resamples, seed))
    return Accuracy(median, ninety, rms, left, bias, int(y.size), int(hidden.sum()), count)


Drawing = tuple[float, int, int]
Summary = tuple[Bounded, Bounded, Bounded, Bounded, float]


def _reached(error: Floats, blind: Floats, _hidden: Flags, who: Whole, drawing: Drawing) -> Summary:
    level, resamples, seed = drawing
    # Beyond the range of floating point an error is as good as infinite.
    size = 100.0 * np.abs(np.expm1(np.minimum(-error, 700.0)))
    equal = np.full(size.size, 1.0 / size.size)
    values = {share: _value(size, equal, share) for share in (0.5, 0.9)}
    single = int(who.max()) + 1 == size.size
    group = merged(who, seed)
    columns = [
        np.ones(size.size),
        error**2,
        blind**2,
        *((size <= value).astype(np.float64) for value in values.values()),
    ]
    sums = np.column_stack([np.bincount(group, column) for column in columns])
    total, square, alone, *within = np.concatenate(
        [draws @ sums for draws in resampled(sums.shape[0], resamples, seed, sums.shape[0])]
    ).T
    median, ninety = (
        quantile_interval(
            size,
            equal,
            share,
            effective=float(size.size) if single else worth(under / total, share, size.size),
            level=level,
            unit="%",
            lowest=0.0,
        )
        for share, under in zip(values, within)
    )
    rms, other = math.sqrt(float(np.mean(error**2))), math.sqrt(float(np.mean(blind**2)))
    ratios = np.sqrt(np.divide(square, alone, out=np.full(total.shape, np.nan), where=alone > 0))
    return (
        median,
        ninety,
        _percentiles(rms, np.sqrt(square / total), level),
        _over(rms, other, ratios, level),
        float(error.mean()),
    )


def _open(error: Floats, blind: Floats, hidden: Flags, who: Whole, drawing: Drawing) -> Summary:
    level, resamples, seed = drawing
    ones = np.ones((1, error.size))
    (mean, sd), (mean0, sd0) = (normal_fits(e, hidden, ones) for e in (error, blind))
    if not np.isfinite(mean[0]):
        none = Bounded.missing("The reached plateaus do not determine a spread of errors.", "%")
        return none, none, none, none, math.nan
    fit, fit0 = (float(mean[0]), float(sd[0])), (float(mean0[0]), float(sd0[0]))
    group = merged(who, seed)
    m, s, m0, s0 = _refits(((error, fit), (blind, fit0)), hidden, group, resamples, seed)
    spread = covariance(error, hidden, *fit) * design_effect(residuals(error, hidden, *fit), who)
    lost = 2.0 * error.size / float((~hidden).sum())

    def relative(share: float) -> Bounded:
        def size(a: Floats, b: Floats) -> Floats:
            return np.log1p(relative_quantile(a, b, share) / 100.0)

        found = _likely(size, fit, spread, (m, s), lost, level)
        low, high = (None if end is None else 100.0 * math.expm1(min(end, 700.0)) for end in (found.low, found.high))
        return Bounded(float(relative_quantile(*fit, share)), low, high, "%", level, found.why)

    rms, alone = math.hypot(*fit), math.hypot(*fit0)
    ratios = np.hypot(m, s) / np.hypot(m0, s0)
    return (
        relative(0.5),
        relative(0.9),
        _likely(np.hypot, fit, spread, (m, s), lost, level),
        _over(rms, alone if math.isfinite(alone) else 0.0, ratios, level),
        fit[0],
    )


def _refits(
    parts: tuple[tuple[Floats, tuple[float, float]], ...], hidden: Flags, group: Whole, resamples: int, seed: int
) -> list[Floats]:
    """Mean and standard deviation of each part in resamples of donors."""
    count, size = int(group.max()) + 1, hidden.size
    large = size > LARGE
    drawn: list[list[Floats]] = []
    for draws in resampled(count, resamples, seed, count if large else size):
        row: list[Floats] = []
        for values, at in parts:
            if not (math.isfinite(at[0]) and math.isfinite(at[1])):
                row += [np.full(draws.shape[0], np.nan)] * 2
            elif large:
                row += one_step_fits(values, hidden, group, draws, at)
            else:
                row += normal_fits(values, hidden, draws[:, group], at)
        drawn.append(row)
    return [np.concatenate(column) for column in zip(*drawn)]


def _likely(
    size: Callable[[Floats, Floats], Floats],
    fit: tuple[float, float],
    spread: Floats,
    drawn: tuple[Floats, Floats],
    lost: float,
    level: float,
) -> Bounded:
    """Chi-square interval of a size that grows with the standard deviation."""
    from scipy import special

    mean, sd = fit
    step = 1e-4 * sd
    at = size(np.array([mean, mean + step, mean - step, mean, mean]), np.array([sd, sd, sd, sd + step, sd - step]))
    value = float(at[0])
    again = size(*drawn)
    again = again[np.isfinite(again) & (again > 0)]
    if again.size < 20 or not value > 0:
        return Bounded(value, unit="1", level=level, why="Too few resamples for an interval.")
    slope = np.array([at[1] - at[2], at[3] - at[4]]) / (2 * step * value)
    variance = max(float(slope @ spread @ slope), float(np.log(again).var(ddof=1)))
    df = 1.0 / (2.0 * max(variance, 1e-12)) - lost
    if not df >= 1.0:
        return Bounded(value, unit="1", level=level, why="The reached plateaus are too few for an interval.")
    low, high = (value * math.sqrt(df / float(special.chdtri(df, p))) for p in ((1 - level) / 2, (1 + level) / 2))
    return Bounded(value, min(low, value), max(high, value), "1", level)


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
