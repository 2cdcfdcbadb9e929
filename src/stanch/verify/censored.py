"""Least squares where some values are known only as bounds: the normal likelihood with ``<x`` and ``>x``."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import flags

__all__ = ["CensoredFit", "censored_fit"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ROUNDS = 100
"""Newton steps allowed [-]."""


@dataclass(frozen=True)
class CensoredFit:
    """A linear model with normal errors, fitted to values and bounds.

    Parameters
    ----------
    coefficients : ndarray, shape (term,)
        [unit].
    sd : float
        Standard deviation of the errors: divisor n - terms without bounds, of largest likelihood with them [unit].
    covariance : ndarray, shape (term, term)
        Of the coefficients [-].
    log_likelihood : float
        [-].
    n, censored : int
        Values altogether, and bounds among them.
    rounds : int
        Newton steps taken.
    """

    coefficients: Floats
    sd: float
    covariance: Floats
    log_likelihood: float
    n: int
    censored: int
    rounds: int

    def predict(self, design: ArrayLike) -> Floats:
        """Fitted values.

        Parameters
        ----------
        design : array_like, shape (n, term)
            [-].

        Returns
        -------
        ndarray, shape (n,)
            [unit].
        """
        return np.asarray(np.asarray(design, dtype=np.float64) @ self.coefficients, dtype=np.float64)


def censored_fit(
    design: ArrayLike,
    value: ArrayLike,
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    *,
    start: CensoredFit | None = None,
) -> CensoredFit:
    """Fit a linear model by its likelihood; without bounds it is ordinary least squares.

    Parameters
    ----------
    design : array_like, shape (n, term)
        Terms, the constant included where there is one [-].
    value : array_like, shape (n,)
        Values, or the bounds of those not known better [unit].
    below, above : array_like of bool, shape (n,), optional
        Which of them mean ``<x`` and ``>x``.
    start : CensoredFit, optional
        A fit of the same terms to nearly the same values, to begin from where there are bounds.

    Returns
    -------
    CensoredFit

    Raises
    ------
    InputError
        If there are not more exact values than terms, or they do not tell the terms apart.

    Notes
    -----
    Tobin J. Econometrica 26:24-36 (1958); the parameters in which the likelihood has a single top: Olsen RJ.
    Econometrica 46:1211-1215 (1978). Both from memory.
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(value, dtype=np.float64)
    lower, upper = flags(below, y.size, "bounds"), flags(above, y.size, "bounds")
    _check(x, y, lower, upper)
    exact = ~(lower | upper)
    columns = np.abs(x).max(axis=0)
    columns[columns == 0] = 1.0
    middle = float(y[exact].mean())
    span = float(np.abs(y - middle).max()) or 1.0
    # Without a constant among the terms the values may only be scaled, not moved.
    constant = [k for k in range(x.shape[1]) if bool((x[:, k] == x[0, k]).all()) and x[0, k] != 0]
    move = middle if constant else 0.0
    span = span if constant else float(np.abs(y).max()) or 1.0
    xs, ys = x / columns, (y - move) / span
    beta, gram_inverse, rss = _ordinary(xs[exact], ys[exact])
    count, terms = int(exact.sum()), x.shape[1]
    sd = math.sqrt(rss / (count - terms))
    rounds = 0
    if not exact.all():
        tight = sd <= 1e-10
        fitted = xs @ beta
        inside = bool((fitted[upper] >= ys[upper] - 1e-10).all() and (fitted[lower] <= ys[lower] + 1e-10).all())
        if tight and inside:
            sd = 0.0
        else:
            if start is not None and start.sd > 1e-6 * span:
                beta, sd = start.coefficients * columns / span, start.sd / span
                if constant:
                    beta[constant[0]] -= move * columns[constant[0]] / (span * x[0, constant[0]])
            beta, sd, gram_inverse, rounds = _newton(xs, ys, lower, upper, beta, max(sd, 1e-6))
    covariance = sd**2 * gram_inverse if exact.all() else gram_inverse
    likelihood = _likelihood(ys - xs @ beta, sd, lower, upper, span)
    coefficients = beta * span / columns
    if constant:
        coefficients[constant[0]] += move / x[0, constant[0]]
    covariance = covariance * span**2 / np.outer(columns, columns)
    return CensoredFit(coefficients, sd * span, covariance, likelihood, y.size, int(y.size - count), rounds)


def _check(x: Floats, y: Floats, lower: Flags, upper: Flags) -> None:
    if x.ndim != 2 or x.shape[0] != y.size:
        raise InputError("design", got=x.shape, allowed=f"one row for each of {y.size} values")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError("values to fit", got="values that are not finite", allowed="finite numbers")
    if (lower & upper).any():
        raise InputError("bounds", got="a value that is both < and >", allowed="one of them")
    exact = int((~(lower | upper)).sum())
    if exact <= x.shape[1]:
        raise InputError(
            "values to fit", got=f"{exact} values that are not bounds", allowed=f"more than {x.shape[1]}, one per term"
        )


def _ordinary(x: Floats, y: Floats) -> tuple[Floats, Floats, float]:
    q, r = np.linalg.qr(x)
    size = np.abs(np.diag(r))
    if not size.min() > 1e-11 * size.max():
        raise InputError("values to fit", got="terms that are the same throughout", allowed="terms that differ")
    beta = np.linalg.solve(r, q.T @ y)
    inverse = np.linalg.inv(r)
    residual = y - x @ beta
    return beta, inverse @ inverse.T, float(residual @ residual)


def _newton(
    x: Floats, y: Floats, lower: Flags, upper: Flags, beta: Floats, sd: float
) -> tuple[Floats, float, Floats, int]:
    """Coefficients, standard deviation, covariance of the coefficients, steps."""
    exact = ~(lower | upper)
    full = np.column_stack([-x, y])
    gram = full[exact].T @ full[exact]
    bounded = full[~exact]
    sign = np.where(upper[~exact], 1.0, -1.0)
    count = int(exact.sum())
    p = np.append(beta / sd, 1.0 / sd)

    def state(p: Floats) -> tuple[float, Floats, Floats]:
        return _state(p, gram, count, bounded, sign)

    level, slope, bend = state(p)
    for round_ in range(1, ROUNDS + 1):
        step = np.linalg.solve(bend, slope)
        gain = float(slope @ step)
        size = 1.0
        while size > 1e-10:
            trial = p + size * step
            if trial[-1] > 0:
                reached, new_slope, new_bend = state(trial)
                if reached >= level - 1e-12 * abs(level):
                    break
            size /= 2
        else:
            break
        p, level, slope, bend = trial, reached, new_slope, new_bend
        if gain < 1e-18 * max(1.0, abs(level)) or (gain < 1e-12 and size == 1.0 and round_ > 3):
            break
    theta = float(p[-1])
    inverse = np.linalg.inv(bend)
    # From (coefficients/sd, 1/sd) to the coefficients.
    turn = np.column_stack([np.eye(x.shape[1]) / theta, -p[:-1] / theta**2])
    return p[:-1] / theta, 1.0 / theta, turn @ inverse @ turn.T, round_


def _state(p: Floats, gram: Floats, count: int, bounded: Floats, sign: Floats) -> tuple[float, Floats, Floats]:
    """Log likelihood, its slope, and minus its second derivative."""
    from scipy import special

    theta = float(p[-1])
    level = count * math.log(theta) - 0.5 * float(p @ gram @ p)
    slope = -(gram @ p)
    slope[-1] += count / theta
    bend = gram.copy()
    bend[-1, -1] += count / theta**2
    z = sign * (bounded @ p)
    tail = special.log_ndtr(-z)
    ratio = np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - tail)
    level += float(tail.sum())
    slope -= bounded.T @ (sign * ratio)
    bend += (bounded * np.maximum(ratio * (ratio - z), 0.0)[:, None]).T @ bounded
    return level, slope, bend


def _likelihood(residual: Floats, sd: float, lower: Flags, upper: Flags, span: float) -> float:
    from scipy import special

    if sd == 0:
        return math.nan
    z = residual / sd
    exact = ~(lower | upper)
    own = -0.5 * float(z[exact] @ z[exact]) - int(exact.sum()) * math.log(sd * span * math.sqrt(2 * math.pi))
    return own + float(special.log_ndtr(-z[upper]).sum() + special.log_ndtr(z[lower]).sum())
