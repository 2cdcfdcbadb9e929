"""Viscosity against time: ln eta of the pushes, smoothed with coarser splines than the modulus."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.curve.basis import Warp, spline_weights
from stanch.curve.noise import Pushes, whiten
from stanch.curve.prior import Smoothness, fit_smoothness, solve
from stanch.mechanics.records import Moduli

__all__ = ["smooth_viscosity"]

Floats = NDArray[np.float64]

FEWEST = 8
"""Pushes with a viscosity below which no curve is drawn [-]."""

_Z95 = 1.959963984540054
_WIDEST = 3.0


def smooth_viscosity(
    moduli: Moduli, warp: Warp, prior: Smoothness, time: Floats
) -> tuple[Floats, Floats, Floats] | None:
    """Posterior median and pointwise 95 % band of the viscosity.

    Parameters
    ----------
    moduli : Moduli
    warp : Warp
        Warped time.
    prior : Smoothness
        Of the splines of `warp`.
    time : ndarray, shape (time,)
        Grid [s].

    Returns
    -------
    tuple of three ndarray, shape (time,), or None
        Viscosity, low, high [Pa·s]; None where the source has no viscosity with an interval.

    Notes
    -----
    How the errors of ln eta hang together between pushes is not handed on. Speckle is what pushes share, in ln eta as
    in the modulus, so the correlations of the modulus are used: an approximation.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        known = (
            moduli.usable & (moduli.viscosity_low > 0.0) & (moduli.viscosity_high > moduli.viscosity_low)
        ) & np.isfinite(moduli.viscosity_high)
        keep = np.flatnonzero(known & (moduli.viscosity > 0.0))
    if keep.size < FEWEST:
        return None
    value = np.log(moduli.viscosity[keep])
    sd = np.minimum(np.log(moduli.viscosity_high[keep] / moduli.viscosity_low[keep]) / (2.0 * _Z95), _WIDEST)
    covariance = moduli.covariance[np.ix_(keep, keep)]
    scale = sd / np.sqrt(np.diag(covariance))
    pushes = Pushes.build(moduli.push_time[keep], value, scale[:, None] * covariance * scale)
    level = float(np.median(value))
    first, weight = spline_weights(warp, pushes.time)
    design = np.zeros((keep.size, warp.size))
    np.put_along_axis(design, first[:, None] + np.arange(4), weight, axis=1)
    evidence, _ = whiten(design, pushes, level, np.zeros(keep.size))
    theta, _ = fit_smoothness(evidence, prior, prior.centre)
    fitted = solve(evidence, prior, theta)
    first, weight = spline_weights(warp, time)
    full = np.zeros((time.size, warp.size))
    np.put_along_axis(full, first[:, None] + np.arange(4), weight, axis=1)
    middle = level + full @ fitted.mean
    half = _Z95 * np.sqrt(np.sum((full @ fitted.root) ** 2, axis=1))
    return np.exp(middle), np.exp(middle - half), np.exp(middle + half)
