"""Detection of lysis: the smallest excess loss rate that is told from wells without lysis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.detection.blank import BlankLimit, Method, limit_of_blank
from stanch.verify.detection.low import DetectionLimit, limit_of_detection
from stanch.verify.intervals import checked, mean_interval, sd_interval
from stanch.verify.records import Bounded
from stanch.verify.variance_function import VarianceFunction, fit_variance_function

__all__ = ["FollowDesign", "LysisLimit", "follow_design", "lysis_limit"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LysisLimit:
    """What one follow time can tell.

    Parameters
    ----------
    offset : Bounded
        Mean excess loss rate of pairs without lysis; zero in a sound assay [%/min].
    blank : BlankLimit
        Rate that pairs without lysis rarely exceed [%/min].
    detection : DetectionLimit
        Smallest true rate that is told from none [%/min].
    borrowed : bool
        Whether the scatter of pairs without lysis stood in for that of pairs with weak lysis.
    """

    offset: Bounded
    blank: BlankLimit
    detection: DetectionLimit
    borrowed: bool


@dataclass(frozen=True)
class FollowDesign:
    """How the smallest rate falls with the follow time.

    Parameters
    ----------
    function : VarianceFunction
        SD of the rate of pairs without lysis against follow time, a power.
    weak : VarianceFunction or None
        The same of pairs with weak lysis; null when those without stand in.
    offset : float
        Mean rate without lysis [%/min].
    alpha, beta : float
        [-].
    confidence : float
        [-].
    """

    function: VarianceFunction
    weak: VarianceFunction | None
    offset: float
    alpha: float
    beta: float
    confidence: float

    @property
    def measured(self) -> tuple[float, float]:
        """Shortest and longest follow time measured [min]."""
        return self.function.low, self.function.high

    def blank_at(self, follow: float) -> float:
        """Limit of blank at a follow time.

        Parameters
        ----------
        follow : float
            [min].

        Returns
        -------
        float
            [%/min].
        """
        return self.offset + _factor(self.function, follow, 1 - self.alpha) * float(self.function.sd_at(follow))

    def smallest_at(self, follow: float) -> Bounded:
        """Smallest rate told from none at a follow time.

        Parameters
        ----------
        follow : float
            [min].

        Returns
        -------
        Bounded
            With the interval from those of the SDs [%/min].
        """
        if not follow > 0:
            raise InputError("follow time", got=follow, allowed="above zero")
        weak = self.weak or self.function
        a = _factor(self.function, follow, 1 - self.alpha)
        b = _factor(weak, follow, 1 - self.beta)
        # Far from the data a steep power passes every number; such an SD counts as not known.
        with np.errstate(over="ignore", under="ignore"):
            one = self.function.interval(follow, probability=self.confidence)
            two = weak.interval(follow, probability=self.confidence)
        if any(v is None for v in (one.value, one.low, one.high, two.value, two.low, two.high)):
            return Bounded.missing("The scatter at this follow time is not known.", "%/min")
        value = self.offset + a * _known(one.value) + b * _known(two.value)
        if self.weak is None:
            # One and the same SD: its ends move together.
            low = value - (a + b) * (_known(one.value) - _known(one.low))
            high = value + (a + b) * (_known(one.high) - _known(one.value))
        else:
            low = value - math.hypot(
                a * (_known(one.value) - _known(one.low)), b * (_known(two.value) - _known(two.low))
            )
            high = value + math.hypot(
                a * (_known(one.high) - _known(one.value)), b * (_known(two.high) - _known(two.value))
            )
        start, end = self.measured
        why = "" if start <= follow <= end else "Outside the follow times measured: an extrapolation."
        return Bounded(value, low, high, "%/min", self.confidence, why)

    def follow_for(self, rate: float) -> Bounded:
        """Follow time needed to tell a rate from none, looked for up to three times the longest one measured.

        Parameters
        ----------
        rate : float
            [%/min].

        Returns
        -------
        Bounded
            [min].
        """
        start, end = self.measured
        times = np.geomspace(start / 3, 3 * end, 300)
        found = [self.smallest_at(float(t)) for t in times]

        def first(ends: list[float | None]) -> float | None:
            inside = np.array([v is not None and v <= rate for v in ends])
            if not inside[-1]:
                return None
            last_out = np.flatnonzero(~inside)
            if last_out.size == 0:
                return float(times[0])
            k = int(last_out[-1])
            left, right = ends[k], ends[k + 1]
            if left is None or right is None or left == right:
                return float(times[k + 1])
            part = (left - rate) / (left - right)
            return float(times[k] * (times[k + 1] / times[k]) ** part)

        value = first([f.value for f in found])
        if value is None:
            return Bounded.missing(f"No follow time up to {3 * end:g} min tells {rate:g} %/min from none.", "min")
        low, high = first([f.low for f in found]), first([f.high for f in found])
        why = ""
        if value <= times[0] * (1 + 1e-9):
            why = f"Already {times[0]:g} min are enough, the shortest time looked at."
        elif not start <= value <= end:
            why = "Outside the follow times measured: an extrapolation."
        elif high is None:
            why = f"The upper end lies beyond {3 * end:g} min."
        return Bounded(value, low, high, "min", self.confidence, why)


def lysis_limit(
    without: ArrayLike,
    weak: ArrayLike | None = None,
    samples: Sequence[str] | NDArray[np.str_] | None = None,
    *,
    alpha: float = 0.05,
    beta: float = 0.05,
    method: Method = "parametric",
    factor: bool = True,
    confidence: float = 0.95,
) -> LysisLimit:
    """Smallest excess loss rate told from pairs without lysis, at one follow time.

    Parameters
    ----------
    without : array_like, shape (pair,)
        Excess loss rates of pairs without lysis, of either sign [%/min].
    weak : array_like, shape (pair,), optional
        Those of pairs with weak known lysis [%/min]; without them the scatter of the former is taken for theirs.
    samples : sequence of str, shape (pair,), optional
        Which weakly lysing sample each of `weak` is of.
    alpha, beta : float
        Chance of a false alarm, and of missing a rate at the limit [-].
    method : str
        Of the limit of blank.
    factor : bool
        Use the small-sample factors.
    confidence : float
        [-].

    Returns
    -------
    LysisLimit

    Notes
    -----
    The rate is signed: the limit of blank may lie below zero, and the mean without lysis (the offset) is part of it.
    """
    x = checked(without, "rates without lysis", least=3)
    blank = limit_of_blank(x, alpha=alpha, method=method, factor=factor, confidence=confidence, unit="%/min")
    offset = mean_interval(x, level=confidence, unit="%/min", name="rates without lysis")
    low, names = (x, None) if weak is None else (checked(weak, "rates with weak lysis", least=2), samples)
    found = limit_of_detection(blank, low, names, beta=beta, factor=factor, confidence=confidence, unit="%/min")
    return LysisLimit(offset, blank, found, weak is None)


def follow_design(
    follow: ArrayLike,
    sd: ArrayLike,
    df: ArrayLike,
    *,
    weak: tuple[ArrayLike, ArrayLike, ArrayLike] | None = None,
    offset: float = 0.0,
    alpha: float = 0.05,
    beta: float = 0.05,
    confidence: float = 0.95,
) -> FollowDesign:
    """Fit the scatter of the rate against follow time and say what each follow time can tell.

    Parameters
    ----------
    follow : array_like, shape (time,)
        [min].
    sd : array_like, shape (time,)
        Of the excess loss rate of pairs without lysis followed that long [%/min].
    df : array_like, shape (time,)
        Its degrees of freedom [-].
    weak : tuple of array_like, optional
        Follow time [min], SD [%/min] and degrees of freedom [-] of pairs with weak lysis.
    offset : float
        Mean rate without lysis [%/min].
    alpha, beta : float
        [-].
    confidence : float
        [-].

    Returns
    -------
    FollowDesign

    Raises
    ------
    InputError
        If there are fewer than two different follow times or an SD is zero.

    Notes
    -----
    A power of the follow time: a least-squares slope over a time T of readings with independent errors at a fixed
    spacing has an SD falling as T to the -3/2; errors that last (a drift of the well) make it fall more slowly.
    """
    function = _power(follow, sd, df)
    other = None if weak is None else _power(*weak)
    for name, number in (("alpha", alpha), ("beta", beta)):
        if not 0 < number < 0.5:
            raise InputError(name, got=number, allowed="above 0 and below 0.5")
    sd_interval(1.0, 1.0, level=confidence)
    return FollowDesign(function, other, float(offset), alpha, beta, confidence)


def _power(follow: ArrayLike, sd: ArrayLike, df: ArrayLike) -> VarianceFunction:
    t = checked(follow, "follow times", least=2)
    if np.unique(t).size < 2 or (t <= 0).any():
        raise InputError(
            "follow times", got=np.unique(t).tolist(), allowed="at least two different, above zero, for a design"
        )
    return fit_variance_function(t, sd, df, form="power")


def _factor(function: VarianceFunction, follow: float, p: float) -> float:
    """Normal quantile over the bias of an SD with that many effective degrees of freedom."""
    from scipy import special

    degrees = float(function.degrees_at(follow))
    if degrees <= 0.5:
        raise InputError("follow times", got="too little data for this follow time", allowed="more pairs")
    return float(special.ndtri(p)) / (1 - 1 / (4 * degrees))


def _known(value: float | None) -> float:
    assert value is not None
    return value
