"""Functional relation when the errors of both methods are known point by point."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.lines import (
    StraightLine,
    bounded_t,
    level_checked,
    needs_spread,
    paired_values,
    scatter_about,
)
from stanch.verify.intervals import checked

__all__ = ["KnownErrorsLine", "known_errors"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class KnownErrorsLine:
    """A line fitted with errors known point by point.

    Parameters
    ----------
    line : StraightLine
        Its standard errors rest on the stated errors and are not scaled by chi-square.
    chi2 : float
        Weighted sum of squares at the line [-].
    chi2_df : int
        n - 2.
    p : float
        Probability of a larger chi-square if line and stated errors are right [-].
    adjusted_x, adjusted_y : ndarray, shape (sample,)
        Points on the line nearest in the metric of the errors [unit].
    normalised : ndarray, shape (sample,)
        Residuals over their standard deviations [-].
    """

    line: StraightLine
    chi2: float
    chi2_df: int
    p: float
    adjusted_x: Floats
    adjusted_y: Floats
    normalised: Floats


def known_errors(
    x: ArrayLike,
    y: ArrayLike,
    x_sd: ArrayLike,
    y_sd: ArrayLike,
    *,
    correlation: ArrayLike = 0.0,
    level: float = 0.95,
    unit: str = "",
) -> KnownErrorsLine:
    """Line between two methods whose standard uncertainties are known for every point.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    x_sd, y_sd : array_like, shape (sample,) or scalar
        Standard uncertainties [unit]; not negative, and not both zero at one point.
    correlation : array_like, shape (sample,) or scalar
        Between the errors of x and y of the same point [-].
    level : float
        [-].
    unit : str

    Returns
    -------
    KnownErrorsLine

    Raises
    ------
    InputError
        If an uncertainty is negative or both are zero, a correlation is not inside -1 to 1, or the slope is not
        decided by the data.

    Notes
    -----
    Minimises sum (y - a - b x)^2 / (u_y^2 + b^2 u_x^2 - 2 b r u_x u_y). Standard errors are taken at the adjusted
    points (York D, Evensen NM, Lopez Martinez M, De Basabe Delgado J. Am J Phys 2004;72:367-375, from memory; the
    straight line of ISO/TS 28037:2010 leads to the same minimum and, without correlation, the same standard errors).
    Intervals are normal ones: the uncertainties are taken as known. A chi-square far from n - 2 says that they are not,
    or that the relation is not a straight line; it is shown and never used to scale them.

    Examples
    --------
    >>> found = known_errors([1.0, 2.0, 3.0], [2.0, 4.0, 6.0], 0.1, 0.1)
    >>> round(found.line.b, 9), round(found.chi2, 9)
    (2.0, 0.0)
    """
    xs, ys = paired_values(x, y)
    level_checked(level)
    n = xs.size
    sx, sy, r = _errors(x_sd, y_sd, correlation, n)
    reach_x, reach_y = needs_spread(xs, "x"), needs_spread(ys, "y")
    shift_x, shift_y = float(xs.mean()), float(ys.mean())
    u, v = (xs - shift_x) / reach_x, (ys - shift_y) / reach_y
    su, sv = sx / reach_x, sy / reach_y
    slope = _minimise(u, v, su, sv, r)
    weights = 1.0 / (sv**2 + slope**2 * su**2 - 2 * slope * r * su * sv)
    total = float(weights.sum())
    mean_u, mean_v = float(weights @ u) / total, float(weights @ v) / total
    rest = v - mean_v - slope * (u - mean_u)
    true_u = u + weights * rest * (slope * su**2 - r * su * sv)
    centre = float(weights @ true_u) / total
    var_b = 1.0 / float(weights @ (true_u - centre) ** 2)
    b = slope * reach_y / reach_x
    a = shift_y + reach_y * (mean_v - slope * mean_u) - b * shift_x
    middle = shift_x + reach_x * centre
    var_slope = var_b * (reach_y / reach_x) ** 2
    var_height = reach_y**2 / total
    covariance = np.array([[var_height + middle**2 * var_slope, -middle * var_slope], [-middle * var_slope, var_slope]])
    chi2 = float(weights @ rest**2)
    line = StraightLine(
        "functional relation with errors known point by point",
        int(n),
        bounded_t(a, math.sqrt(covariance[0, 0]), math.inf, level, unit),
        bounded_t(b, math.sqrt(covariance[1, 1]), math.inf, level),
        covariance,
        math.inf,
        scatter_about(xs - shift_x, ys - shift_y, reach_y * (mean_v - slope * mean_u), b),
        "stated uncertainties at the adjusted points, normal, not scaled by chi-square",
    )
    from scipy import special

    return KnownErrorsLine(
        line,
        chi2,
        int(n - 2),
        float(special.chdtrc(n - 2, chi2)),
        shift_x + reach_x * true_u,
        a + b * (shift_x + reach_x * true_u),
        np.sqrt(weights) * rest,
    )


def _errors(x_sd: ArrayLike, y_sd: ArrayLike, correlation: ArrayLike, n: int) -> tuple[Floats, Floats, Floats]:
    def spread(given: ArrayLike, name: str) -> Floats:
        array = np.asarray(given, dtype=np.float64)
        if array.ndim == 0:
            array = np.full(n, float(array))
        array = checked(array, name)
        if array.size != n:
            raise InputError(name, got=f"{array.size} values", allowed=f"one or {n}, as many as pairs")
        return array

    sx, sy = spread(x_sd, "uncertainties of x"), spread(y_sd, "uncertainties of y")
    r = spread(correlation, "correlation of the errors")
    for name, sd in (("x", sx), ("y", sy)):
        if (sd < 0).any():
            raise InputError(f"uncertainties of {name}", got=float(sd.min()), allowed="0 or more")
    both = (sx == 0) & (sy == 0)
    if both.any():
        place = int(np.flatnonzero(both)[0]) + 1
        raise InputError(f"uncertainties of pair {place}", got="both zero", allowed="at least one above zero")
    if (np.abs(r) >= 1).any():
        raise InputError("correlation of the errors", got=float(r[np.abs(r) >= 1][0]), allowed="inside −1 to 1")
    return sx, sy, r


def _minimise(u: Floats, v: Floats, su: Floats, sv: Floats, r: Floats) -> float:
    """Slope of least chi-square: a scan over the angle of the line, then a bracketed search."""
    from scipy import optimize

    def chi2(angle: float) -> float:
        # Divided through by cos^2, so that steep lines stay finite.
        c, s = math.cos(angle), math.sin(angle)
        variance = (c * sv) ** 2 + (s * su) ** 2 - 2 * c * s * r * su * sv
        variance = np.maximum(variance, 1e-300)
        across = c * v - s * u
        weights = 1.0 / variance
        rest = across - float(weights @ across) / float(weights.sum())
        return float(weights @ rest**2)

    # With one error zero at some point the chi-square runs to infinity at the axis: the scan stays off both.
    angles = (np.arange(180) + 0.5) * math.pi / 180 - math.pi / 2
    heights = np.array([chi2(float(angle)) for angle in angles])
    best = int(np.argmin(heights))
    step = math.pi / 180
    found = optimize.minimize_scalar(
        chi2, bracket=(angles[best] - step, angles[best], angles[best] + step), method="brent", options={"xtol": 1e-10}
    )
    slope = math.tan(float(found.x))
    if not math.isfinite(slope) or abs(slope) > 1e8 or abs(slope) < 1e-12:
        raise InputError(
            "pairs of both methods", got="a flat or upright line", allowed="methods that rise and fall together"
        )
    return _polish(u, v, su, sv, r, slope)


def _polish(u: Floats, v: Floats, su: Floats, sv: Floats, r: Floats, slope: float) -> float:
    """A few fixed-point steps: a minimum is only found to half the digits by its height."""
    for _ in range(100):
        weights = 1.0 / (sv**2 + slope**2 * su**2 - 2 * slope * r * su * sv)
        total = float(weights.sum())
        du, dv = u - float(weights @ u) / total, v - float(weights @ v) / total
        lean = weights * (du * sv**2 + slope * dv * su**2 - (slope * du + dv) * r * su * sv)
        bottom = float((weights * lean) @ du)
        if bottom == 0:
            return slope
        fresh = float((weights * lean) @ dv) / bottom
        if not math.isfinite(fresh) or abs(fresh - slope) > 0.05 * abs(slope):
            return slope
        if abs(fresh - slope) <= 1e-14 * abs(slope):
            return fresh
        slope = fresh
    return slope
