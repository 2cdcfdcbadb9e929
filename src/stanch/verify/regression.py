"""Least squares: weighted polynomials to many digits, their intervals, lack of fit, and any other model.

A polynomial is fitted by QR on x centred and scaled to -1 .. 1, once refined in extended precision; its coefficients
go back to the original units in exact rational arithmetic, so certified data are met to many digits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
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
        value, half = float(self.coefficients[power]), _t(self.df, level) * float(self.se[power])
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
        half = _t(self.df, level) * se
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


@dataclass(frozen=True)
class Nonlinear:
    """A fitted model of any form.

    Parameters
    ----------
    parameters, se : ndarray, shape (parameter,)
        [unit].
    covariance : ndarray, shape (parameter, parameter)
        [unit], products of theirs.
    residual_sd : float
        [unit].
    rss : float
        [unit], squared.
    df, n : int
    evaluations : int
        Calls of the model, those for derivatives not counted.
    """

    parameters: Floats
    se: Floats
    covariance: Floats
    residual_sd: float
    rss: float
    df: int
    n: int
    evaluations: int

    def parameter(self, index: int, *, level: float = 0.95, unit: str = "") -> Bounded:
        """One parameter with its t interval to first order [unit]."""
        value, half = float(self.parameters[index]), _t(self.df, level) * float(self.se[index])
        return Bounded(value, value - half, value + half, unit, level)


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
    w = _weights(weights, xs, ys)
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
    w = _weights(weights, xs, ys)
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


def nonlinear(
    model: Callable[..., Floats],
    x: ArrayLike,
    y: ArrayLike,
    start: Sequence[float],
    *,
    weights: ArrayLike | None = None,
    lower: Sequence[float] | None = None,
    upper: Sequence[float] | None = None,
    evaluations: int = 5000,
) -> Nonlinear:
    """Least-squares fit of any model.

    Parameters
    ----------
    model : callable
        Takes x and the parameters one by one, returns y.
    x, y : array_like, shape (n,)
        [unit].
    start : sequence of float
        First guess [unit].
    weights : array_like, shape (n,), optional
        Inverse relative variances [-].
    lower, upper : sequence of float, optional
        Bounds [unit].
    evaluations : int
        Most calls of the model.

    Returns
    -------
    Nonlinear

    Raises
    ------
    InputError
        If there are too few values, the model is not finite at the start, no minimum is found, or the data do not
        determine the parameters.
    """
    from scipy.optimize import least_squares

    begin = checked(np.asarray(start, dtype=np.float64), "start", least=1)
    xs = checked(x, "x of a regression", least=begin.size + 1)
    ys = checked(y, "y of a regression")
    root = np.sqrt(_weights(weights, xs, ys))
    size = float(np.abs(ys).max()) or 1.0

    def away(p: Floats) -> Floats:
        with np.errstate(all="ignore"):
            return np.asarray((model(xs, *p) - ys) / size * root, dtype=np.float64)

    if not np.isfinite(away(begin)).all():
        raise InputError("start of a nonlinear fit", got=begin.tolist(), allowed="a point where the model is finite")
    low = np.full(begin.size, -np.inf) if lower is None else np.asarray(lower, dtype=np.float64)
    high = np.full(begin.size, np.inf) if upper is None else np.asarray(upper, dtype=np.float64)
    eps = float(np.finfo(np.float64).eps)
    # Numerical derivatives step by an absolute amount near zero, so parameters are measured in units of their start.
    each = np.where(begin == 0, 1.0, np.abs(begin))

    def relative(u: Floats) -> Floats:
        return away(u * each)

    found = least_squares(
        relative,
        begin / each,
        jac="3-point",
        bounds=(low / each, high / each),
        x_scale="jac",
        ftol=eps,
        xtol=eps,
        gtol=eps,
        max_nfev=evaluations,
    )
    if found.status == 0:
        raise InputError("nonlinear fit", got=f"no minimum in {evaluations} calls", allowed="a closer start")
    point, slopes = _polish(away, np.asarray(found.x * each, dtype=np.float64), begin, low, high)
    lengths = np.sqrt(np.sum(slopes**2, axis=0))
    lengths[lengths == 0] = 1.0
    r = np.linalg.qr(slopes / lengths, mode="r")
    if not np.isfinite(r).all() or np.abs(np.diag(r)).min() < 1e-10:
        raise InputError(
            "nonlinear fit",
            got="parameters that the data do not determine",
            allowed="fewer parameters or data that move with each",
        )
    inverse = np.linalg.solve(r, np.eye(begin.size)) / lengths[:, None]
    df = int(xs.size - begin.size)
    rss = float(np.sum(away(point) ** 2)) * size**2
    covariance = inverse @ inverse.T * rss / size**2 / df
    return Nonlinear(
        parameters=point,
        se=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_sd=math.sqrt(rss / df),
        rss=rss,
        df=df,
        n=int(xs.size),
        evaluations=int(found.nfev),
    )


def _weights(weights: ArrayLike | None, x: Floats, y: Floats) -> Floats:
    if x.size != y.size:
        raise InputError("x and y of a regression", got=f"{x.size} and {y.size} values", allowed="as many of each")
    if weights is None:
        return np.ones(x.size)
    w = checked(weights, "weights")
    if w.size != x.size or not (w > 0).all():
        raise InputError(
            "weights",
            got=f"{w.size} values, smallest {float(w.min())}",
            allowed=f"{x.size} values above zero",
            do="Leave out what should not count.",
        )
    return w


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
    moved = np.asarray(back @ exact, dtype=np.float64)
    return np.asarray(moved @ moved.T, dtype=np.float64)


def _polish(
    away: Callable[[Floats], Floats], point: Floats, start: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats]:
    """Gauss-Newton steps while they shrink: a cost comparison stops at half the digits."""
    last = math.inf
    slopes = _slopes(away, point, start)
    for _ in range(100):
        step = np.linalg.lstsq(slopes, away(point), rcond=None)[0]
        size = float(np.max(np.abs(step) / np.maximum(np.abs(point), 1e-300)))
        moved = point - step
        inside = bool(((moved > low) & (moved < high)).all())
        if not (size < 0.95 * last and size < 1e-3 and inside):
            break
        point, last = moved, size
        slopes = _slopes(away, point, start)
    return point, slopes


def _slopes(away: Callable[[Floats], Floats], point: Floats, start: Floats) -> Floats:
    columns = []
    for k in range(point.size):
        h = np.cbrt(np.finfo(np.float64).eps) * (abs(float(point[k])) or abs(float(start[k])) or 1.0)
        ahead, behind = point.copy(), point.copy()
        ahead[k] += h
        behind[k] -= h
        columns.append((away(ahead) - away(behind)) / (ahead[k] - behind[k]))
    return np.column_stack(columns)


def _t(df: float, level: float) -> float:
    from scipy import special

    if not 0 < level < 1:
        raise InputError("level of an interval", got=level, allowed="above 0 and below 1")
    return float(special.ndtri(0.5 + level / 2) if math.isinf(df) else special.stdtrit(df, 0.5 + level / 2))
