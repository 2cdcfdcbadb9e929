"""Bias of readings that are not linear in the curve, taken out of their samples.

A highest value, a first crossing or a steepest slope of a noisy path is biased, on the estimate and once more on its
posterior samples. The size of the bias is learned from curves estimated again from simulated pushes whose true curve
is the central estimate: a parametric bootstrap (Efron & Tibshirani, An Introduction to the Bootstrap, 1993, ch. 10;
cited from memory). The samples are moved as a whole, so that contrasts built from them inherit the correction.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["filled", "level_top", "reached_down", "recentred", "recentred_top"]

Floats = NDArray[np.float64]


def recentred(samples: Floats, central: float, resampled: Floats) -> Floats:
    """Samples moved so that their median is the bias-corrected central estimate.

    The correction is itself uncertain by about its own size, so the samples are also stretched about their median by
    ``sqrt(1 + (bias/sd)^2)``.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        Of the reading; values that are not finite stay as they are [unit].
    central : float
        The reading of the central curve [unit].
    resampled : ndarray, shape (resample,)
        The reading of the re-estimated curves [unit].

    Returns
    -------
    ndarray, shape (path,)
        [unit].
    """
    finite = np.isfinite(samples)
    again = resampled[np.isfinite(resampled)]
    if not np.isfinite(central) or finite.sum() < 0.5 * samples.size or again.size < 0.5 * max(resampled.size, 1):
        return samples
    bias = float(again.mean()) - central
    median = float(np.median(samples[finite]))
    sd = float(samples[finite].std())
    stretch = np.sqrt(1.0 + (bias / sd) ** 2) if sd > 0 else 1.0
    return np.where(finite, central - bias + stretch * (samples - median), samples)


def filled(samples: Floats, missing: NDArray[np.bool_] | None = None) -> Floats:
    """The few missing samples replaced by others in turn: a reading keeps one sample per path.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        [unit].
    missing : ndarray of bool, shape (path,), optional
        Which are missing, not all of them; by default those that are not finite.

    Returns
    -------
    ndarray, shape (path,)
        [unit].
    """
    gone = ~np.isfinite(samples) if missing is None else missing
    if not gone.any():
        return samples
    good = np.flatnonzero(~gone)
    out = samples.copy()
    out[gone] = samples[good[np.linspace(0, good.size - 1, int(gone.sum())).astype(int)]]
    return out


def level_top(central: Floats, errors: Floats, *, rounds: int = 14) -> float:
    """Height of the flat-topped curve that would typically show the highest value seen.

    The central curve is cut off at a height c; errors of estimation are added; c is such that the mean of the highest
    values equals the highest value of the central curve.

    Parameters
    ----------
    central : ndarray, shape (window,)
        Central curve [unit].
    errors : ndarray, shape (resample, window)
        Errors of re-estimated curves, mean 0 [unit].

    Returns
    -------
    float
        [unit].
    """
    seen = float(central.max())

    def typical(height: float) -> float:
        return float(np.mean(np.max(np.minimum(central, height) + errors, axis=1)))

    high = seen
    low = seen - 4.0 * max(typical(seen) - seen, 0.0) - 1e-12
    for _ in range(rounds):
        middle = 0.5 * (low + high)
        if typical(middle) > seen:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


def recentred_top(
    samples: Floats, seen: float, central: Floats, resampled: Floats, *, stretched: bool = False
) -> Floats:
    """Samples of a highest value, allowed for a top that is flat.

    On a flat top the bootstrap of ``recentred`` corrects only part of the bias, because the central curve already
    carries the bumps of the noise. Where the truth is flat `level_top` is right, where it is peaked the bootstrap; the
    samples run from the one at their lower end to the other at their upper end. Highest values of paths are also
    skewed upwards, so what the truth may be below the estimate is skewed downwards: the lower half reaches at least as
    far down as the upper half reaches up. On a clear peak none of this changes anything.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        Highest values of the sample paths [unit].
    seen : float
        Highest value of the central curve [unit].
    central : ndarray, shape (window,)
        Central curve, on a grid that may be coarser [unit].
    resampled : ndarray, shape (resample, window)
        The same of the re-estimated curves [unit].
    stretched : bool
        Whether the doubt about the correction stretches the samples, as in ``recentred``.

    Returns
    -------
    ndarray, shape (path,)
        [unit].
    """
    bias = float(np.mean(resampled.max(axis=1)) - central.max())
    flat = seen - float(central.max()) + level_top(central, resampled - resampled.mean(axis=0))
    peaked = seen - bias
    rank = np.empty(samples.size)
    rank[np.argsort(samples, kind="stable")] = (np.arange(samples.size) + 0.5) / samples.size
    sd = float(samples.std())
    stretch = np.sqrt(1.0 + (bias / sd) ** 2) if stretched and sd > 0 else 1.0
    return np.asarray(stretch * (reached_down(samples) - np.median(samples)) + flat + (peaked - flat) * rank)


def reached_down(samples: Floats) -> Floats:
    """Samples whose lower half reaches at least as far below the median as the upper half reaches above it.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        Finite [unit].

    Returns
    -------
    ndarray, shape (path,)
        In the same order of size [unit].
    """
    order = np.argsort(samples, kind="stable")
    middle = float(np.median(samples))
    away = samples[order] - middle
    lower = np.arange(samples.size) < samples.size // 2
    out = np.empty(samples.size)
    out[order] = middle + np.where(lower, np.minimum(away, -away[::-1]), away)
    return out
