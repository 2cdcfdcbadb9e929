"""Least squares: weighted polynomials to many digits, their intervals, lack of fit, and any other model.

A polynomial is fitted by QR on x centred and scaled to -1 .. 1, once refined in extended precision; its coefficients
go back to the original units in exact rational arithmetic, so certified data are met to many digits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify._least_squares import t_factor, weights_of
from stanch.verify.intervals import checked
from stanch.verify.nonlinear import Nonlinear, nonlinear
from stanch.verify.records import Bounded

__all__ = [
    "Fitted",
    "LackOfFit",
    "Nonlinear",
    "Polynomial",
    "lack_of_fit",
    "nonlinear",
    "polynomial",
    "straight_line",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Fitted:
    """Values of a fitted curve with their interval.

    Parameters
    ----------
    value, low, high, se : ndarray, shape (n,)
        [unit].
    level : float
        [-].
    """

    value: Floats
    low: Floats
    high: Floats
    se: Floats
    level: float


@dataclass(frozen=True)
class Polynomial:
    """A fitted polynomial.

    Parameters
    ----------
    coefficients : ndarray, shape (term,)
        Ascending powers of x, from the intercept on; zero where there is no intercept [unit] per power of x.
    covariance : ndarray, shape (term, term)
        [unit], products of those of the coefficients.
    residual_sd : float
        Of a reading of weight 1 [unit].
    df : float
        Residual degrees of freedom [-]; infinite where the variances are known.
    rss : float
        Weighted residual sum of squares [unit], squared.
    r_squared : float or None
        [-]; null when y is constant.
    n, order : int
    centre, scale : float
        Of x [unit].
    scaled, scaled_covariance : ndarray
        The same in powers of (x - centre) / scale [unit].
    intercept : bool
        Whether there is one.
    """

    coefficients: Floats
    covariance: Floats
    residual_sd: float
    df: float
    rss: float
    r_squared: float | None
    n: int
    order: int
    centre: float
    scale: float
    scaled: Floats
    scaled_covariance: Floats
    intercept: bool

    @property
    def se(self) -> Floats:
        """Standard errors of the coefficients [unit] per power of x."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    def coefficient(self, power: int, *, level: float = 0.95, unit: str = "") -> Bounded:
        """One coefficient with its t interval.

        Parameters
        ----------
        power : int
        level : float
            [-].
        unit : str

        Returns
        -------
        Bounded
            [unit] per power of x.
        """
        value, half = float(self.coefficients[power]), t_factor(self.df, level) * float(self.se[power])
        return Bounded(value, value - half, value + half, unit, level)

    def p_value(self, power: int) -> float | None:
        """Two-sided p of a coefficient against zero [-]; null when there is no scatter to judge it by."""
        from scipy import special

        se = float(self.se[power])
        if se == 0:
            return None
        t = abs(float(self.coefficients[power])) / se
        return float(2 * special.ndtr(-t)) if math.isinf(self.df) else float(2 * special.stdtr(self.df, -t))

    def at(
        self, x: ArrayLike, *, level: float = 0.95, reading: bool = False, weight: ArrayLike = 1.0, of: int = 1
    ) -> Fitted:
        """The curve at x with its confidence interval, or the interval of a coming reading there.

        Parameters
        ----------
        x : array_like
            [unit].
        level : float
            [-].
        reading : bool
            Interval of the mean of `of` new readings of this `weight` instead of the curve's own.
        weight : array_like
            Of the new readings [-].
        of : int

        Returns
        -------
        Fitted
            [unit].
        """
        at = np.atleast_1d(np.asarray(x, dtype=np.float64))
        rows = _basis((at - self.centre) / self.scale, self.order, self.intercept)
        value = rows @ self.scaled
        variance = np.maximum(np.einsum("ij,jk,ik->i", rows, self.scaled_covariance, rows), 0.0)
        if reading:
            variance = variance + self.residual_sd**2 / (np.asarray(weight, dtype=np.float64) * of)
        se = np.sqrt(variance)
        half = t_factor(self.df, level) * se
        return Fitted(value, value - half, value + half, se, level)


@dataclass(frozen=True)
class LackOfFit:
    """Lack of fit against the scatter of repeated readings.

    Parameters
    ----------
    f, p : float or None
        [-]; null when repeated readings do not scatter at all.
    df_fit, df_error : int
        Degrees of freedom of the lack of fit and of the pure error.
    ss_fit, ss_error : float
        Weighted sums of squares [unit], squared.
    error_sd : float
        Pure error of a reading of weight 1 [unit].
    """

    f: float | None
    p: float | None
    df_fit: int
    df_error: int
    ss_fit: float
    ss_error: float
    error_sd: float


def straight_line(x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None) -> Polynomial:
    """Least-squares straight line.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        [unit].
    weights : array_like, shape (n,), optional
        Inverse relative variances [-].

    Returns
    -------
    Polynomial
        Of order 1.
    """
    return polynomial(x, y, 1, weights=weights)


def polynomial(
    x: ArrayLike,
    y: ArrayLike,
    order: int = 1,
    *,
    weights: ArrayLike | None = None,
    known: bool = False,
    intercept: bool = True,
) -> Polynomial:
    """Least-squares polynomial.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        [unit].
    order : int
        1 to 10.
    weights : array_like, shape (n,), optional
        Inverse variances [-], relative unless `known`.
    known : bool
        The weights are 1 / variance: nothing is estimated from the residuals.
    intercept : bool

    Returns
    -------
    Polynomial

    Raises
    ------
    InputError
        If there are too few values or too few different x, or a weight is not above zero.
    """
    if not 1 <= order <= 10:
        raise InputError("order of a polynomial", got=order, allowed="1 to 10")
    terms = order + intercept
    least = terms if known else terms + 1
    xs, ys = checked(x, "x of a regression", least=least), checked(y, "y of a regression")
    w = weights_of(weights, xs, ys)
    centre, scale = _window(xs, intercept)
    t = (xs - centre) / scale
    distinct = np.unique(t if intercept else t[t != 0]).size
    if distinct < terms:
        raise InputError("x of a regression", got=f"{distinct} different values", allowed=f"at least {terms}")
    size = float(np.abs(ys).max()) or 1.0
    root = np.sqrt(w)
    q, r = np.linalg.qr(_basis(t, order, intercept) * root[:, None])
    target = ys / size
    beta = np.linalg.solve(r, q.T @ (target * root))
    beta = beta + np.linalg.solve(r, q.T @ (_residuals(t, target, beta, intercept) * root))
    # What is left below the rounding of y itself is no scatter and no curvature.
    floor = 16 * np.finfo(np.float64).eps
    beta[np.abs(beta) < floor] = 0.0
    left = _residuals(t, target, beta, intercept)
    rss = 0.0 if float(np.abs(left).max()) < floor else float(np.sum(w * left * left))
    df = math.inf if known else float(xs.size - terms)
    variance = 1.0 / size**2 if known else rss / df
    inverse = np.linalg.solve(r, np.eye(terms))
    factor = inverse * math.sqrt(variance) * size
    about = target - np.average(target, weights=w) if intercept else target
    total = float(np.sum(w * about * about))
    back = _back(order, centre, scale)[:, 0 if intercept else 1 :]
    return Polynomial(
        coefficients=_exactly(beta * size, back),
        covariance=_squared(factor, back),
        residual_sd=math.sqrt(variance) * size,
        df=df,
        rss=rss * size**2,
        r_squared=1 - rss / total if total > floor**2 * xs.size else None,
        n=int(xs.size),
        order=order,
        centre=centre,
        scale=scale,
        scaled=beta * size,
        scaled_covariance=factor @ factor.T,
        intercept=intercept,
    )


def lack_of_fit(
    x: ArrayLike, y: ArrayLike, order: int = 1, *, weights: ArrayLike | None = None, intercept: bool = True
) -> LackOfFit:
    """F test of a polynomial against repeated readings at the same x.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        [unit].
    order : int
    weights : array_like, shape (n,), optional
        Inverse relative variances [-].
    intercept : bool

    Returns
    -------
    LackOfFit

    Raises
    ------
    InputError
        If no x is repeated, or there are no more different x than terms.
    """
    from scipy import special

    fit = polynomial(x, y, order, weights=weights, intercept=intercept)
    xs, ys = checked(x, "x of a regression"), checked(y, "y of a regression")
    w = weights_of(weights, xs, ys)
    levels, which = np.unique(xs, return_inverse=True)
    mass = np.bincount(which, weights=w)
    means = np.bincount(which, weights=w * ys) / mass
    inside = ys - means[which]
    df_error, df_fit = int(xs.size - levels.size), int(levels.size - order - intercept)
    if df_error < 1:
        raise InputError("repeated readings", got="none at any x", allowed="at least two readings at one x")
    if df_fit < 1:
        raise InputError("levels", got=f"{levels.size} different", allowed=f"more than {order + intercept}")
    floor = 16 * np.finfo(np.float64).eps * float(np.abs(ys).max())
    ss_error = 0.0 if float(np.abs(inside).max()) <= floor else float(np.sum(w * inside * inside))
    away = means - fit.at(levels).value
    ss_fit = 0.0 if float(np.abs(away).max()) <= floor else float(np.sum(mass * away * away))
    f = None if ss_error == 0 else (ss_fit / df_fit) / (ss_error / df_error)
    p = None if f is None else float(special.fdtrc(df_fit, df_error, f))
    return LackOfFit(f, p, df_fit, df_error, ss_fit, ss_error, math.sqrt(ss_error / df_error))


def _window(x: Floats, intercept: bool) -> tuple[float, float]:
    if not intercept:
        return 0.0, float(np.abs(x).max()) or 1.0
    low, high = float(x.min()), float(x.max())
    return low / 2 + high / 2, (high / 2 - low / 2) or 1.0


def _basis(t: Floats, order: int, intercept: bool) -> Floats:
    rows: Floats = np.vander(t, order + 1, increasing=True)
    return rows if intercept else rows[:, 1:]


def _residuals(t: Floats, y: Floats, beta: Floats, intercept: bool) -> Floats:
    wide = t.astype(np.longdouble)
    value = np.zeros(t.size, dtype=np.longdouble)
    for b in beta[::-1]:
        value = value * wide + b
    return np.asarray(y - (value if intercept else value * wide), dtype=np.float64)


def _back(order: int, centre: float, scale: float) -> NDArray[np.object_]:
    """Rows: powers of x; columns: powers of (x - centre)/scale; exact."""
    c, s = Fraction(centre), Fraction(scale)
    matrix = np.zeros((order + 1, order + 1), dtype=object)
    for k in range(order + 1):
        for j in range(k + 1):
            matrix[j, k] = Fraction(math.comb(k, j)) * (-c) ** (k - j) / s**k
    return matrix


def _exactly(scaled: Floats, back: NDArray[np.object_]) -> Floats:
    return np.array([float(sum(b * Fraction(float(s)) for b, s in zip(row, scaled, strict=True))) for row in back])


def _squared(factor: Floats, back: NDArray[np.object_]) -> Floats:
    """Covariance in the original units; through its factor, so that no variance comes out below zero."""
    exact = np.array([[Fraction(float(v)) for v in row] for row in factor], dtype=object)
    with np.errstate(over="ignore", invalid="ignore"):
        moved = np.asarray(back @ exact, dtype=np.float64)
        covariance = np.asarray(moved @ moved.T, dtype=np.float64)
    if not np.isfinite(covariance).all():
        raise InputError(
            "scale of x",
            got="variances of coefficients that cannot be held",
            allowed="a scale nearer to 1",
            do="State x in another unit.",
        )
    return covariance
