"""Deviation from linearity at every level, from a polynomial or from the level means themselves."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.linearity.levels import Levels, Weighting, gather
from stanch.verify.records import Bounded, Outcome
from stanch.verify.regression import LackOfFit, Polynomial, polynomial

__all__ = ["Deviation", "Order", "allowed_at", "deviation_of_means", "deviation_of_polynomial", "lack_of_fit_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Order:
    """One polynomial of the family.

    Parameters
    ----------
    order : int
    fit : Polynomial
    p_top : float or None
        Two-sided p of the coefficient of the highest power [-]; null where nothing scatters.
    """

    order: int
    fit: Polynomial
    p_top: float | None


@dataclass(frozen=True)
class Deviation:
    """How far each level lies from the straight line.

    Parameters
    ----------
    levels : Levels
    scheme : str
        ``polynomial`` or ``level means``.
    line : Polynomial
        The straight line, its scatter from the readings about it.
    orders : tuple of Order
        The polynomials fitted, ascending; empty for level means.
    deviation, low, high : ndarray, shape (level,)
        With the pointwise interval [unit]; the ends equal the value where there is no scatter to judge by.
    judged : bool
        Whether there is an interval at all.
    confidence : float
        [-].
    allowed : ndarray, shape (level,), or None
        [unit].
    worst : int
        Level with the largest deviation, against the allowed one where that is stated.
    outcome : str
        ``met`` when every level's interval lies inside, ``not met`` when one lies outside.
    """

    levels: Levels
    scheme: str
    line: Polynomial
    orders: tuple[Order, ...]
    deviation: Floats
    low: Floats
    high: Floats
    judged: bool
    confidence: float
    allowed: Floats | None
    worst: int
    outcome: Outcome

    def at(self, level: int, *, unit: str = "") -> Bounded:
        """The deviation at one level [unit]."""
        value = float(self.deviation[level])
        if not self.judged:
            why = "Without repeated readings nothing tells deviation from scatter."
            return Bounded(value, unit=unit, level=self.confidence, why=why)
        return Bounded(value, float(self.low[level]), float(self.high[level]), unit, self.confidence)

    def share(self, level: int) -> Bounded:
        """The deviation at one level in percent of the allowed one there [%]."""
        if self.allowed is None:
            return Bounded.missing("No allowed deviation was stated.", "%")
        found, factor = self.at(level), 100 / float(self.allowed[level])
        assert found.value is not None
        low = None if found.low is None else found.low * factor
        high = None if found.high is None else found.high * factor
        return Bounded(found.value * factor, low, high, "%", self.confidence, found.why)


def allowed_at(line: Floats, *, absolute: float | None = None, percent: float | None = None) -> Floats | None:
    """Allowed deviation at each level: the larger of an absolute and a relative part.

    Parameters
    ----------
    line : ndarray, shape (level,)
        Value of the straight line there [unit].
    absolute : float, optional
        [unit].
    percent : float, optional
        Of the line's value [%].

    Returns
    -------
    ndarray or None
        [unit]; None where no part was stated.

    Raises
    ------
    InputError
        If a part is not above zero, or nothing would be allowed at a level.
    """
    for name, part in (("absolute", absolute), ("percent", percent)):
        if part is not None and not (part > 0 and math.isfinite(part)):
            raise InputError(f"allowed deviation, {name}", got=part, allowed="a number above zero")
    if absolute is None and percent is None:
        return None
    parts = np.maximum(absolute or 0.0, (percent or 0.0) / 100 * np.abs(line))
    if (parts <= 0).any():
        raise InputError(
            "allowed deviation",
            got="a line that is zero at a level",
            allowed="an absolute part beside the percentage",
            do="State what may be off at level zero.",
        )
    return np.asarray(parts)


def deviation_of_polynomial(
    x: ArrayLike,
    y: ArrayLike,
    *,
    order: int = 3,
    weights: Weighting = "equal",
    absolute: float | None = None,
    percent: float | None = None,
    confidence: float = 0.95,
) -> Deviation:
    """Deviation of the polynomial from the straight line, both fitted to the same readings.

    Parameters
    ----------
    x, y : array_like, shape (reading,)
        Level (or mixing ratio) and result [unit].
    order : int
        Highest order, 2 or 3; lowered where the levels do not carry it.
    weights : str
        ``equal``, ``by level`` or ``proportional``.
    absolute : float, optional
        Allowed deviation [unit].
    percent : float, optional
        Allowed deviation of the line's value [%]; the larger of both counts.
    confidence : float
        Of the pointwise interval [-].

    Returns
    -------
    Deviation

    Notes
    -----
    Polynomial method of the first edition of the linearity guideline EP06, from memory; there the curve counts only
    when significant. Here the curve of the highest order always counts, with its interval, because significance says
    nothing about size. Curve minus line is linear in the readings, so its interval is exact for normal scatter.
    """
    return polynomial_deviation(
        gather(x, y, weights=weights), order=order, absolute=absolute, percent=percent, confidence=confidence
    )


def polynomial_deviation(
    levels: Levels, *, order: int, absolute: float | None, percent: float | None, confidence: float
) -> Deviation:
    """The same from gathered readings.

    Parameters
    ----------
    levels : Levels
    order : int
    absolute, percent : float or None
        [unit], [%].
    confidence : float
        [-].

    Returns
    -------
    Deviation
    """
    if order not in (2, 3):
        raise InputError("order of the polynomial", got=order, allowed="2 or 3")
    top = min(order, levels.x.size - 1, levels.readings - 2)
    if top < 2:
        raise InputError(
            "levels of a linearity study",
            got=f"{levels.x.size} levels, {levels.readings} readings",
            allowed="at least 4 levels, or 3 with a repeated reading",
        )
    orders = tuple(_order(levels, k) for k in range(1, top + 1))
    line, curve = orders[0].fit, orders[-1].fit
    away = curve.at(levels.x).value - line.at(levels.x).value
    _without_rounding(away, levels)
    se = curve.residual_sd * np.sqrt(np.maximum(_leverage(levels, top) - _leverage(levels, 1), 0.0))
    half = _t(curve.df, confidence) * se
    return _judge(levels, "polynomial", line, orders, away, half, True, confidence, absolute, percent)


def deviation_of_means(
    x: ArrayLike,
    y: ArrayLike,
    *,
    weights: Weighting = "equal",
    absolute: float | None = None,
    percent: float | None = None,
    confidence: float = 0.95,
) -> Deviation:
    """Deviation of the level means from the weighted straight line through them.

    Parameters
    ----------
    x, y : array_like, shape (reading,)
        Level (or mixing ratio) and result [unit].
    weights : str
        ``equal``, ``by level`` or ``proportional``.
    absolute : float, optional
        Allowed deviation [unit].
    percent : float, optional
        Allowed deviation of the line's value [%]; the larger of both counts.
    confidence : float
        Of the pointwise interval [-].

    Returns
    -------
    Deviation

    Notes
    -----
    After the second edition of EP06 (2020), which has no polynomials, from memory. The scatter is that of repeated
    readings alone; without any there is no interval.
    """
    return means_deviation(gather(x, y, weights=weights), absolute=absolute, percent=percent, confidence=confidence)


def means_deviation(levels: Levels, *, absolute: float | None, percent: float | None, confidence: float) -> Deviation:
    """The same from gathered readings.

    Parameters
    ----------
    levels : Levels
    absolute, percent : float or None
        [unit], [%].
    confidence : float
        [-].

    Returns
    -------
    Deviation
    """
    line = _order(levels, 1).fit
    away = levels.mean - line.at(levels.x).value
    _without_rounding(away, levels)
    half = np.zeros(levels.x.size)
    if levels.df > 0:
        spread = np.maximum(1 / levels.mass - _leverage(levels, 1), 0.0)
        half = _t(levels.df, confidence) * math.sqrt(levels.within / levels.df) * np.sqrt(spread)
    return _judge(levels, "level means", line, (), away, half, levels.df > 0, confidence, absolute, percent)


def lack_of_fit_of(levels: Levels, order: int = 1) -> LackOfFit | None:
    """Lack-of-fit F of a polynomial from gathered readings.

    Parameters
    ----------
    levels : Levels
    order : int

    Returns
    -------
    LackOfFit or None
        None without repeated readings or with no more levels than terms.
    """
    from scipy import special

    df_fit = int(levels.x.size - order - 1)
    if levels.df < 1 or df_fit < 1:
        return None
    fit = polynomial(levels.x, levels.mean, order, weights=levels.mass, known=True)
    f = None if levels.within == 0 else (fit.rss / df_fit) / (levels.within / levels.df)
    p = None if f is None else float(special.fdtrc(df_fit, levels.df, f))
    return LackOfFit(f, p, df_fit, levels.df, fit.rss, levels.within, math.sqrt(levels.within / levels.df))


def _without_rounding(away: Floats, levels: Levels) -> None:
    floor = 64 * np.finfo(np.float64).eps * float(np.abs(levels.mean).max())
    away[np.abs(away) < floor] = 0.0


def _order(levels: Levels, order: int) -> Order:
    """A fit to level means carries the coefficients of the fit to all readings; the scatter is put back."""
    fit = polynomial(levels.x, levels.mean, order, weights=levels.mass, known=True)
    df = levels.readings - order - 1
    rss = fit.rss + levels.within
    variance = rss / df
    about = levels.mean - np.average(levels.mean, weights=levels.mass)
    total = float(np.sum(levels.mass * about**2)) + levels.within
    whole = replace(
        fit,
        covariance=fit.covariance * variance,
        scaled_covariance=fit.scaled_covariance * variance,
        residual_sd=math.sqrt(variance),
        df=float(df),
        rss=rss,
        r_squared=1 - rss / total if total > 0 else None,
        n=levels.readings,
    )
    return Order(order, whole, whole.p_value(order))


def _leverage(levels: Levels, order: int) -> Floats:
    """Variance of the fitted value at each level for scatter 1."""
    root = np.sqrt(levels.mass)
    fit = polynomial(levels.x, levels.mean, order, weights=levels.mass, known=True)
    q = np.linalg.qr(np.vander((levels.x - fit.centre) / fit.scale, order + 1, increasing=True) * root[:, None])[0]
    return np.asarray(np.sum((q / root[:, None]) ** 2, axis=1))


def _judge(
    levels: Levels,
    scheme: str,
    line: Polynomial,
    orders: tuple[Order, ...],
    away: Floats,
    half: Floats,
    judged: bool,
    confidence: float,
    absolute: float | None,
    percent: float | None,
) -> Deviation:
    allowed = allowed_at(line.at(levels.x).value, absolute=absolute, percent=percent)
    low, high = away - half, away + half
    outcome: Outcome = "no limit stated"
    if allowed is not None:
        if judged and bool(((low > -allowed) & (high < allowed)).all()):
            outcome = "met"
        elif judged and bool(((low > allowed) | (high < -allowed)).any()):
            outcome = "not met"
        else:
            outcome = "undecided"
    worst = int(np.argmax(np.abs(away) / (1.0 if allowed is None else allowed)))
    return Deviation(levels, scheme, line, orders, away, low, high, judged, confidence, allowed, worst, outcome)


def _t(df: float, confidence: float) -> float:
    from scipy import special

    if not 0 < confidence < 1:
        raise InputError("confidence", got=confidence, allowed="above 0 and below 1")
    return float(special.stdtrit(df, 0.5 + confidence / 2))
