"""Critical value, detection and quantitation limit from a straight calibration line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import checked, sd_interval
from stanch.verify.records import Bounded
from stanch.verify.regression import Polynomial, polynomial, straight_line

__all__ = ["CalibrationLimits", "calibration_limits"]


@dataclass(frozen=True)
class CalibrationLimits:
    """Limits in the unit of the concentration.

    Parameters
    ----------
    line : Polynomial
        The calibration line.
    s_x0 : float
        Residual SD over slope [unit].
    critical : Bounded
        Smallest estimate that says "present" [unit].
    detection : Bounded
        `critical` plus as much again for missing one in 1/beta [unit].
    detection_exact : float
        The same by the non-central t distribution [unit].
    quantitation : Bounded
        Where the interval of an estimate is one k-th of it, either way [unit].
    alpha, beta : float
        [-].
    k : float
        [-].
    readings : int
        Averaged per sample.
    curvature_p : float or None
        p of a square term [-].
    """

    line: Polynomial
    s_x0: float
    critical: Bounded
    detection: Bounded
    detection_exact: float
    quantitation: Bounded
    alpha: float
    beta: float
    k: float
    readings: int
    curvature_p: float | None


def calibration_limits(
    x: ArrayLike,
    y: ArrayLike,
    *,
    alpha: float = 0.05,
    beta: float = 0.05,
    readings: int = 1,
    k: float = 3.0,
    confidence: float = 0.95,
    unit: str = "",
) -> CalibrationLimits:
    """Limits of a calibrated method, equal scatter along the line.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Concentration and signal [unit].
    alpha, beta : float
        Chance of a false alarm, and of a miss at the limit of detection [-].
    readings : int
        Averaged per sample.
    k : float
        Inverse of the relative half width allowed at the limit of quantitation, an interval of level 1 - alpha [-].
    confidence : float
        Of the intervals, from that of the residual SD; the slope's uncertainty is left out [-].
    unit : str
        Of the concentration.

    Returns
    -------
    CalibrationLimits

    Raises
    ------
    InputError
        If there are fewer than four points, or the line does not rise or fall beyond doubt of a zero slope.

    Notes
    -----
    Calibration method of DIN 32645 and, for the non-central t, ISO 11843-2; both from memory.
    """
    from scipy import optimize, special

    for name, number in (("alpha", alpha), ("beta", beta)):
        if not 0 < number < 0.5:
            raise InputError(name, got=number, allowed="above 0 and below 0.5")
    if readings < 1 or not k > 1:
        raise InputError("readings or k", got=(readings, k), allowed="at least 1 reading, k above 1")
    line = straight_line(x, y)
    if line.n < 4:
        raise InputError("calibration points", got=line.n, allowed="at least 4")
    slope = float(line.coefficients[1])
    if slope == 0:
        raise InputError("calibration line", got="a slope of zero", allowed="a signal that changes with concentration")
    s_x0 = line.residual_sd / abs(slope)
    xs = checked(x, "x of a calibration")
    mean = float(xs.mean())
    squares = float(np.sum((xs - mean) ** 2))
    shape = math.sqrt(1 / readings + 1 / line.n + mean * mean / squares)
    t = float(special.stdtrit(line.df, 1 - alpha))
    critical = s_x0 * t * shape
    miss = float(special.stdtrit(line.df, 1 - beta))
    shift = optimize.brentq(lambda d: float(special.nctdtr(line.df, d, t)) - beta, 0.0, 2 * (t + miss) + 5)
    exact = float(shift) * s_x0 * shape
    detection = critical + s_x0 * miss * shape
    two = float(special.stdtrit(line.df, 1 - alpha / 2))
    spread = sd_interval(line.residual_sd, line.df, level=confidence)

    def scaled(value: float | None, why: str = "") -> Bounded:
        if value is None:
            return Bounded.missing(why, unit)
        if line.residual_sd == 0 or spread.low is None or spread.high is None:
            return Bounded(value, unit=unit, level=confidence, why="The points lie exactly on the line.")
        down, up = spread.low / line.residual_sd, spread.high / line.residual_sd
        return Bounded(value, value * down, value * up, unit, confidence, why)

    quantitation = _quantitation(k * s_x0 * two, readings, line.n, mean, squares)
    why = "The scatter is too large for this k: no concentration is read closely enough."
    # The limit of quantitation is not proportional to the SD, so its ends are solved for.
    shown = scaled(quantitation, why)
    if quantitation is not None and shown.low is not None and spread.low is not None and spread.high is not None:
        ends = [
            _quantitation(k * s / abs(slope) * two, readings, line.n, mean, squares) for s in (spread.low, spread.high)
        ]
        shown = Bounded(quantitation, ends[0], ends[1], unit, confidence, "" if ends[1] is not None else why)
    curved = None if line.n < 5 else _curvature(x, y)
    return CalibrationLimits(
        line, s_x0, scaled(critical), scaled(detection), exact, shown, alpha, beta, k, readings, curved
    )


def _quantitation(reach: float, readings: int, n: int, mean: float, spread: float) -> float | None:
    """Root of u = reach sqrt(1/m + 1/n + (u - mean)^2 / spread), a quadratic."""
    r = reach * reach / spread
    a, b, c = 1 - r, 2 * r * mean, -(reach**2) * (1 / readings + 1 / n) - r * mean * mean
    if a <= 0:
        return None
    return (-b + math.sqrt(b * b - 4 * a * c)) / (2 * a)


def _curvature(x: ArrayLike, y: ArrayLike) -> float | None:
    try:
        return polynomial(x, y, 2).p_value(2)
    except InputError:
        return None
