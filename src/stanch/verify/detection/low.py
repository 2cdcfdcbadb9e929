"""Limit of detection from blanks and low samples, by lot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.detection.blank import BlankLimit, small_sample_factor
from stanch.verify.detection.scatter import GroupScatter, group_scatter
from stanch.verify.intervals import checked, sd_interval, share_interval
from stanch.verify.records import Bounded

__all__ = ["DetectionLimit", "LotLimits", "LowSample", "largest_lot", "limit_of_detection"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LowSample:
    """A sample with little of the measurand.

    Parameters
    ----------
    name : str
    n : int
        Results.
    mean, sd : float or None
        [unit]; the SD is null for a single result.
    missed : Bounded or None
        Share of its results at or below the limit of blank, exact interval [-]; null without that limit.
    """

    name: str
    n: int
    mean: float
    sd: float | None
    missed: Bounded | None


@dataclass(frozen=True)
class DetectionLimit:
    """A limit of detection.

    Parameters
    ----------
    limit : Bounded
        [unit].
    sd : Bounded
        Pooled over the low samples [unit].
    degrees : int
        Results minus samples.
    factor : float
        Multiplier of the SD [-].
    beta : float
        Share of results of a sample at this limit that may fall at or below the limit of blank [-].
    samples : tuple of LowSample
    equal_p : float or None
        Bartlett's test of equal SDs of the low samples [-]; null where it cannot be made.
    """

    limit: Bounded
    sd: Bounded
    degrees: int
    factor: float
    beta: float
    samples: tuple[LowSample, ...]
    equal_p: float | None


@dataclass(frozen=True)
class LotLimits:
    """Both limits of one lot.

    Parameters
    ----------
    lot : str
    blank : BlankLimit
    detection : DetectionLimit or None
        Null without low samples.
    """

    lot: str
    blank: BlankLimit
    detection: DetectionLimit | None


def limit_of_detection(
    blank: BlankLimit,
    lows: ArrayLike,
    samples: Sequence[str] | NDArray[np.str_] | None = None,
    *,
    beta: float = 0.05,
    factor: bool = True,
    confidence: float = 0.95,
    unit: str = "",
) -> DetectionLimit:
    """Limit of detection: limit of blank plus a multiple of the pooled SD of low samples.

    Parameters
    ----------
    blank : BlankLimit
    lows : array_like, shape (result,)
        Results of low samples [unit].
    samples : sequence of str, shape (result,), optional
        Which sample each is of; one sample when left out.
    beta : float
        Share that may be missed [-].
    factor : bool
        Use the small-sample factor, else the plain normal quantile.
    confidence : float
        Of the interval [-]: those of the limit of blank and of the SD combined (Zou's recovery of variances).
    unit : str

    Returns
    -------
    DetectionLimit

    Raises
    ------
    InputError
        If no low sample has two results.

    Notes
    -----
    Factor z / (1 - 1/(4(B - K))), B results of K samples: guideline EP17, from memory. Combined interval: Zou GY,
    Donner A. Stat Med 27:1693-1702 (2008), from memory.
    """
    from scipy import special

    x = checked(lows, "results of low samples", least=2)
    if not 0 < beta < 1:
        raise InputError("beta", got=beta, allowed="above 0 and below 1")
    groups = group_scatter(x, samples)
    degrees = groups.degrees
    if degrees < 1:
        raise InputError("low samples", got="a single result of each", allowed="at least one with two results")
    pooled = math.sqrt(float(groups.squares.sum()) / degrees)
    c = small_sample_factor(1 - beta, degrees) if factor else float(special.ndtri(1 - beta))
    sd = sd_interval(pooled, degrees, level=confidence, unit=unit)
    return DetectionLimit(
        limit=_sum(blank.limit, sd, c),
        sd=sd,
        degrees=degrees,
        factor=c,
        beta=beta,
        samples=_samples(groups, x, samples, blank.limit.value, confidence),
        equal_p=_bartlett(groups),
    )


def largest_lot(lots: Mapping[str, LotLimits] | Sequence[LotLimits]) -> LotLimits:
    """The lot with the largest limit of detection, or of blank where there are no low samples.

    Parameters
    ----------
    lots : mapping or sequence of LotLimits

    Returns
    -------
    LotLimits

    Raises
    ------
    InputError
        If a lot has no value: the largest is not known then.
    """
    every = list(lots.values()) if isinstance(lots, Mapping) else list(lots)
    found = [(lot.blank.limit if lot.detection is None else lot.detection.limit).value for lot in every]
    for lot, value in zip(every, found, strict=True):
        if value is None:
            raise InputError(f"limit of lot {lot.lot}", got="no value", allowed="a value for every lot")
    return max(zip(every, found, strict=True), key=lambda pair: pair[1] if pair[1] is not None else -math.inf)[0]


def _sum(blank: Bounded, sd: Bounded, c: float) -> Bounded:
    if blank.value is None:
        return Bounded.missing(f"There is no limit of blank: {blank.why}", blank.unit)
    assert sd.value is not None
    value = blank.value + c * sd.value
    low = high = None
    if blank.low is not None and sd.low is not None:
        low = value - math.hypot(blank.value - blank.low, c * (sd.value - sd.low))
    if blank.high is not None and sd.high is not None:
        high = value + math.hypot(blank.high - blank.value, c * (sd.high - sd.value))
    return Bounded(value, low, high, blank.unit, blank.level, blank.why)


def _samples(
    groups: GroupScatter,
    x: Floats,
    given: Sequence[str] | NDArray[np.str_] | None,
    limit: float | None,
    confidence: float,
) -> tuple[LowSample, ...]:
    missed = None
    if limit is not None:
        which = np.zeros(x.size, dtype=int) if given is None else np.searchsorted(groups.names, np.asarray(given))
        missed = np.bincount(which, weights=x <= limit, minlength=groups.n.size)
    return tuple(
        LowSample(
            "low" if given is None else str(name),
            int(groups.n[k]),
            float(groups.mean[k]),
            float(groups.sd[k]) if groups.n[k] > 1 else None,
            None if missed is None else share_interval(int(missed[k]), int(groups.n[k]), level=confidence),
        )
        for k, name in enumerate(groups.names)
    )


def _bartlett(groups: GroupScatter) -> float | None:
    from scipy import special

    n, squares = groups.n, groups.squares
    use = n > 1
    if use.sum() < 2 or (squares[use] <= 0).any():
        return None
    df = n[use] - 1.0
    variance = squares[use] / df
    pooled = float(squares[use].sum() / df.sum())
    chi = float(df.sum() * math.log(pooled) - np.sum(df * np.log(variance)))
    k = df.size
    correction = 1 + (float(np.sum(1 / df)) - 1 / float(df.sum())) / (3 * (k - 1))
    return float(special.chdtrc(k - 1, max(chi, 0.0) / correction))
