"""Bias of readings that are not linear in the curve, taken out of their samples.

A highest value, a first crossing or a steepest slope of a noisy path is biased, on the estimate and once more on its
posterior samples. The size of the bias is learned from curves estimated again from simulated pushes whose true curve
is the central estimate: a parametric bootstrap (Efron & Tibshirani, An Introduction to the Bootstrap, 1993, ch. 10;
cited from memory). The samples are moved as a whole, so that contrasts built from them inherit the correction.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["recentred"]

Floats = NDArray[np.float64]


def recentred(samples: Floats, central: float, resampled: Floats) -> Floats:
    """Samples moved so that their median is the bias-corrected central estimate.

    The correction is itself uncertain by about its own size, so the samples are also stretched about their median by
    ``sqrt(1 + (bias/sd)^2)``.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        Of the reading; values that are not finite stay as they are.
    central : float
        The reading of the central curve.
    resampled : ndarray, shape (resample,)
        The reading of the re-estimated curves.

    Returns
    -------
    ndarray, shape (path,)
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
