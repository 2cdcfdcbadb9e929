"""Errors whose plateau is open: a normal distribution of logarithmic errors by its likelihood, for many resamples."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["normal_fits", "relative_quantile"]

Floats = NDArray[np.float64]

ROUNDS = 60
"""Newton steps allowed [-]."""


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
    from scipy import special

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
    for _ in range(ROUNDS):
        z = t[:, None] * end - g[:, None]
        tail = special.log_ndtr(-z)
        ratio = np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - tail)
        curve = np.maximum(ratio * (ratio - z), 0.0) * bound
        ratio = ratio * bound
        # Slope in (mean/sd, 1/sd) and minus the second derivative.
        dg = t * one - g * count + ratio.sum(axis=1)
        dt = count / t - t * two + g * one - ratio @ end
        gg = count + curve.sum(axis=1)
        gt = -one - curve @ end
        tt = count / t**2 + two + curve @ end**2
        det = np.where(sound, gg * tt - gt**2, 1.0)
        step_g, step_t = (tt * dg - gt * dt) / det, (gg * dt - gt * dg) / det
        # A step that would take 1/sd below a third of itself is shortened.
        short = np.minimum(1.0, (2.0 / 3.0) * t / np.maximum(-step_t, 1e-300))
        short = np.where(sound, short, 0.0)
        g, t = g + short * step_g, t + short * step_t
        if float(np.max(np.where(sound, np.abs(step_t) / t + np.abs(step_g), 0.0))) < 1e-10:
            break
    still = sound & (np.abs(step_t) / t + np.abs(step_g) < 1e-6)
    correct = np.sqrt(total / np.maximum(total - 1.0, 1.0))
    return np.where(still, g / t * size, np.nan), np.where(still, size / t * correct, np.nan)


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
    # |exp(-e) - 1| <= q means -log(1 + q) <= e <= -log(1 - q), without an upper end from q = 1 on.
    low, high = np.zeros(m.shape), np.expm1(np.minimum(np.abs(m) + 40.0 * s, 700.0))
    for _ in range(200):
        q = (low + high) / 2
        top = np.where(q < 1, -np.log1p(-np.minimum(q, 1 - 1e-16)), np.inf)
        inside = special.ndtr((top - m) / s) - special.ndtr((-np.log1p(q) - m) / s) >= share
        low, high = np.where(inside, low, q), np.where(inside, q, high)
    return np.asarray(np.where(np.isfinite(m), 100.0 * high, np.nan), dtype=np.float64)
