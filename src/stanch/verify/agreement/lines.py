"""The record every straight line between two methods comes back as, and its bias at a decision level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["StraightLine", "bounded_t", "paired_values"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class StraightLine:
    """A line y = intercept + slope x between two methods.

    Parameters
    ----------
    method : str
        How it was fitted, in words.
    n : int
        Points.
    intercept, slope : Bounded
        [unit].
    covariance : ndarray, shape (2, 2), or None
        Of (intercept, slope), in squares and products of their units; null where there is none [unit]. With rank
        intervals it serves the bias at a level only.
    df : float
        Degrees of freedom of the t intervals; infinite for normal ones [-].
    scatter : float
        Standard deviation of the residuals y - intercept - slope x, n - 2 degrees of freedom [unit].
    interval : str
        Where the intervals come from, in words.
    draws : ndarray, shape (draw, 2), or None
        Bootstrap draws of (intercept, slope) [unit].
    """

    method: str
    n: int
    intercept: Bounded
    slope: Bounded
    covariance: Floats | None
    df: float
    scatter: float
    interval: str
    draws: Floats | None = None

    @property
    def a(self) -> float:
        """The intercept as a plain number [unit]."""
        assert self.intercept.value is not None
        return self.intercept.value

    @property
    def b(self) -> float:
        """The slope as a plain number [unit]."""
        assert self.slope.value is not None
        return self.slope.value

    @property
    def se_intercept(self) -> float | None:
        """Standard error of the intercept [unit]."""
        return None if self.covariance is None else math.sqrt(float(self.covariance[0, 0]))

    @property
    def se_slope(self) -> float | None:
        """Standard error of the slope [unit]."""
        return None if self.covariance is None else math.sqrt(float(self.covariance[1, 1]))

    def bias_at(self, level: float) -> Bounded:
        """Bias of y against x where the true value of x is `level`.

        Parameters
        ----------
        level : float
            Decision level [unit].

        Returns
        -------
        Bounded
            intercept + (slope - 1) level [unit], with its interval.
        """
        if not math.isfinite(level):
            raise InputError("decision level", got=level, allowed="a finite number")
        value = self.a + (self.b - 1.0) * level
        unit, p = self.intercept.unit, self.intercept.level
        if self.draws is not None:
            drawn = self.draws[:, 0] + (self.draws[:, 1] - 1.0) * level
            low, high = np.quantile(drawn, [(1 - p) / 2, (1 + p) / 2])
            return Bounded(value, min(float(low), value), max(float(high), value), unit, p)
        if self.covariance is None:
            return Bounded(value, unit=unit, level=p, why="This fit has no interval for a bias.")
        c = self.covariance
        variance = float(c[0, 0] + 2.0 * level * c[0, 1] + level * level * c[1, 1])
        return bounded_t(value, math.sqrt(max(variance, 0.0)), self.df, p, unit)


def bounded_t(value: float, se: float, df: float, level: float, unit: str = "") -> Bounded:
    """A number with its t interval; the normal one where `df` is infinite.

    Parameters
    ----------
    value, se : float
        [unit].
    df, level : float
        [-].
    unit : str

    Returns
    -------
    Bounded
        [unit].
    """
    from scipy import special

    if df <= 0:
        return Bounded(value, unit=unit, level=level, why="No degrees of freedom are left for an interval.")
    p = 0.5 + level / 2
    half = float(special.ndtri(p) if math.isinf(df) else special.stdtrit(df, p)) * se
    return Bounded(value, value - half, value + half, unit, level)


def paired_values(x: ArrayLike, y: ArrayLike, *, least: int = 3) -> tuple[Floats, Floats]:
    """Both methods' results of the same samples, or a clear refusal.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    least : int
        How many there must be.

    Returns
    -------
    tuple of ndarray
        [unit].

    Raises
    ------
    InputError
        If the lengths differ, there are too few, or a value is not finite.
    """
    a, b = checked(x, "results of x", least=least), checked(y, "results of y", least=least)
    if a.size != b.size:
        raise InputError("pairs", got=f"{a.size} and {b.size} values", allowed="as many results of y as of x")
    largest = max(float(np.abs(a).max()), float(np.abs(b).max()))
    if largest > 1e100:
        raise InputError("results", got=largest, allowed="numbers up to 1e100", do="State them in a larger unit.")
    return a, b


def needs_spread(values: Floats, name: str) -> float:
    """Largest distance from the mean [unit]; a constant column is refused."""
    reach = float(np.abs(values - values.mean()).max())
    if not reach > 4 * np.finfo(float).eps * float(np.abs(values).max()) or reach < 1e-100:
        raise InputError(
            f"results of {name}",
            got=f"{values.size} equal values",
            allowed="results that differ",
            do="A line needs samples spread over the measuring range.",
        )
    return reach


def scatter_about(x: Floats, y: Floats, a: float, b: float) -> float:
    """Residual standard deviation with n - 2 degrees of freedom [unit]; zero for two points."""
    rest = y - a - b * x
    return float(math.sqrt(float(rest @ rest) / max(x.size - 2, 1)))


def level_checked(level: float) -> float:
    """A confidence level, or a refusal."""
    if not 0 < level < 1:
        raise InputError("level", got=level, allowed="above 0 and below 1, such as 0.95")
    return level
