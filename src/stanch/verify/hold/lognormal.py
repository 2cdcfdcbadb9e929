"""Errors whose plateau is open: a normal distribution of logarithmic errors by its likelihood, for many resamples."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LARGE", "covariance", "normal_fits", "one_step_fits", "relative_quantile", "residuals", "upper_tail"]

Floats = NDArray[np.float64]

ROUNDS = 60
"""Newton steps allowed [-]."""

LARGE = 4000
"""Numbers beyond which a resample is fitted by one Newton step from the fit to all [-]."""


def normal_fits(
    error: ArrayLike, above: ArrayLike, weight: ArrayLike, start: tuple[float, float] | None = None
) -> tuple[Floats, Floats]:
    """Mean and standard deviation of numbers some of which are lower bounds, for each set of weights.

    Parameters
    ----------
    error : array_like, shape (n,)
        Numbers or bounds [-].
    above : array_like of bool, shape (n,)
        Which are bounds.
    weight : array_like, shape (resample, n)
        How often each is counted [-].
    start : tuple of float, optional
        Mean and standard deviation to begin from, of the whole sample [-].

    Returns
    -------
    tuple of ndarray, shape (resample,)
        Mean and standard deviation [-], the latter with divisor n - 1 where nothing is open; NaN where a resample
        does not determine them.

    Notes
    -----
    The likelihood in mean/sd and 1/sd has a single top: Olsen RJ. Econometrica 46:1211-1215 (1978), from memory.
    """
    x, hidden = np.asarray(error, dtype=np.float64), np.asarray(above, dtype=bool)
    w = np.atleast_2d(np.asarray(weight, dtype=np.float64))
    size = float(np.abs(x).max()) or 1.0
    x = x / size
    total = w.sum(axis=1)
    exact, bound = w[:, ~hidden], w[:, hidden]
    count = exact.sum(axis=1)
    known, end = x[~hidden], x[hidden]
    one, two = exact @ known, exact @ known**2
    mean = (w @ x) / total
    sd = np.sqrt(np.maximum((w @ x**2) / total - mean**2, 0.0))
    sound = (count > 2) & (two - one**2 / np.maximum(count, 1.0) > 1e-20 * np.maximum(two, 1e-300)) & (sd > 0)
    sd = np.where(sound, sd, 1.0)
    g, t = mean / sd, 1.0 / sd
    if start is not None:
        g, t = np.full(g.shape, start[0] / start[1]), np.full(t.shape, size / start[1])
    step_g = step_t = np.full(g.shape, np.inf)
    for _ in range(ROUNDS):
        ratio, curve = upper_tail(t[:, None] * end - g[:, None])
        curve, ratio = curve * bound, ratio * bound
        # Slope in (mean/sd, 1/sd) and minus the second derivative.
        dg = t * one - g * count + ratio.sum(axis=1)
        dt = count / t - t * two + g * one - ratio @ end
        gg = count + curve.sum(axis=1)
        gt = -one - curve @ end
        tt = count / t**2 + two + curve @ end**2
        det = gg * tt - gt**2
        # Rounding can leave nothing of the determinant where the numbers hardly differ.
        sound &= det > 1e-12 * gg * tt
        det = np.where(sound, det, 1.0)
        step_g, step_t = (tt * dg - gt * dt) / det, (gg * dt - gt * dg) / det
        # A step that would take 1/sd below a third of itself is shortened.
        down = np.maximum(-step_t / t, 2.0 / 3.0)
        short = np.where(sound, (2.0 / 3.0) / down, 0.0)
        g, t = g + short * step_g, t + short * step_t
        if float(np.max(np.where(sound, np.abs(step_t) / t + np.abs(step_g), 0.0))) < 1e-10:
            break
    still = sound & (np.abs(step_t) / t + np.abs(step_g) < 1e-6)
    correct = np.sqrt(total / np.maximum(total - 1.0, 1.0))
    return np.where(still, g / t * size, np.nan), np.where(still, size / t * correct, np.nan)


def upper_tail(z: Floats) -> tuple[Floats, Floats]:
    """Normal density over the chance of lying above, and minus the second derivative of that chance's logarithm.

    Parameters
    ----------
    z : ndarray
        [-].

    Returns
    -------
    tuple of ndarray
        [-].
    """
    from scipy import special

    ratio = np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - special.log_ndtr(-z))
    return ratio, np.maximum(ratio * (ratio - z), 0.0)


def residuals(error: ArrayLike, above: ArrayLike, mean: float, sd: float) -> Floats:
    """Standardised numbers, where only a bound is known their mean given the bound.

    Parameters
    ----------
    error : array_like, shape (n,)
        Numbers or bounds [-].
    above : array_like of bool, shape (n,)
        Which are bounds.
    mean, sd : float
        Of the fit [-].

    Returns
    -------
    ndarray, shape (n,)
        [-].
    """
    z = (np.asarray(error, dtype=np.float64) - mean) / sd
    hidden = np.asarray(above, dtype=bool)
    z[hidden] = upper_tail(z[hidden])[0]
    return z


def _parts(x: Floats, hidden: NDArray[np.bool_], g: float, t: float) -> Floats:
    """Slope in (mean/sd, 1/sd) and minus the second derivative, of every number."""
    out = np.empty((5, x.size))
    known, end = x[~hidden], x[hidden]
    away = t * known - g
    out[:, ~hidden] = away, 1.0 / t - known * away, np.ones(known.size), -known, t**-2 + known**2
    ratio, curve = upper_tail(t * end - g)
    out[:, hidden] = ratio, -ratio * end, curve, -curve * end, curve * end**2
    return out


def covariance(error: ArrayLike, above: ArrayLike, mean: float, sd: float) -> Floats:
    """Covariance of the fitted mean and standard deviation, from the information in the sample.

    Parameters
    ----------
    error : array_like, shape (n,)
        Numbers or bounds [-].
    above : array_like of bool, shape (n,)
        Which are bounds.
    mean, sd : float
        Of the fit [-].

    Returns
    -------
    ndarray, shape (2, 2)
        [-].
    """
    x, hidden = np.asarray(error, dtype=np.float64) / sd, np.asarray(above, dtype=bool)
    _, _, gg, gt, tt = _parts(x, hidden, mean / sd, 1.0).sum(axis=1)
    turn = sd * np.array([[1.0, -mean / sd], [0.0, -1.0]])
    return np.asarray(turn @ np.linalg.inv([[gg, gt], [gt, tt]]) @ turn.T)


def one_step_fits(
    error: ArrayLike, above: ArrayLike, donor: ArrayLike, draws: ArrayLike, at: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Mean and standard deviation for each set of weights, by one Newton step from the fit to all.

    Parameters
    ----------
    error : array_like, shape (n,)
        Numbers or bounds [-].
    above : array_like of bool, shape (n,)
        Which are bounds.
    donor : array_like of int, shape (n,)
        0 .. donors - 1.
    draws : array_like, shape (resample, donor)
        How often each donor is counted [-].
    at : tuple of float
        Mean and standard deviation of the fit to all [-].

    Returns
    -------
    tuple of ndarray, shape (resample,)
        [-].

    Notes
    -----
    Off by terms of the order 1/n, so for many numbers only.
    """
    x, hidden = np.asarray(error, dtype=np.float64) / at[1], np.asarray(above, dtype=bool)
    w, g = np.asarray(draws, dtype=np.float64), at[0] / at[1]
    sums = np.stack([np.bincount(donor, part, minlength=w.shape[1]) for part in _parts(x, hidden, g, 1.0)])
    # The fit to all has a divisor of n - 1, so its own slope is not exactly zero.
    slope, (gg, gt, tt) = w @ (sums[:2] - sums[:2].mean(axis=1, keepdims=True)).T, (w @ sums[2:].T).T
    det = gg * tt - gt**2
    g_new = g + (tt * slope[:, 0] - gt * slope[:, 1]) / det
    t_new = 1.0 + (gg * slope[:, 1] - gt * slope[:, 0]) / det
    return at[1] * g_new / t_new, at[1] / t_new


def relative_quantile(mean: ArrayLike, sd: ArrayLike, share: float) -> Floats:
    """Absolute relative error that a share of predictions stays within, for normal logarithmic errors.

    Parameters
    ----------
    mean, sd : array_like, shape (n,)
        Of the logarithm of plateau over prediction [-].
    share : float
        [-].

    Returns
    -------
    ndarray, shape (n,)
        [%].
    """
    from scipy import special

    m, s = np.asarray(mean, dtype=np.float64), np.maximum(np.asarray(sd, dtype=np.float64), 1e-300)
    # |exp(-e) - 1| <= q means -log(1 + q) <= e <= -log(1 - q), without an upper end from q = 1 on; u = log(1 + q).
    low, high = np.zeros(m.shape), np.minimum(np.abs(m) + 40.0 * s, 700.0)
    for _ in range(72):
        u = (low + high) / 2
        q = np.expm1(u)
        top = np.where(q < 1, -np.log1p(-np.minimum(q, 1 - 1e-16)), np.inf)
        inside = special.ndtr((top - m) / s) - special.ndtr((-u - m) / s) >= share
        low, high = np.where(inside, low, u), np.where(inside, u, high)
    return np.asarray(np.where(np.isfinite(m), 100.0 * np.expm1(high), np.nan), dtype=np.float64)
