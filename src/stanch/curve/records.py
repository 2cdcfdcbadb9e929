"""The record of the curve stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Curve"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Curve:
    """Posterior modulus curve of one well.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Grid of at most 2 s steps from the first to the last usable push, since activation [s].
    modulus, low, high : ndarray, shape (time,)
        Posterior median and pointwise 95 % band of G [Pa].
    paths : ndarray, shape (path, time)
        Joint sample paths of G [Pa].
    viscosity, viscosity_low, viscosity_high : ndarray, shape (time,), or None
        Smoothed viscosity and band [Pa·s]; None where the source has no viscosity.
    push_time : ndarray, shape (push,)
        Of the pushes that were used [s].
    seed : int
        Of the sample paths.
    settings : dict of str to float
        Hyperparameter means, for the record.
    centre : ndarray, shape (time,), or None
        Curve of the posterior mean weights, not cut off at zero [Pa].
    resampled : ndarray, shape (resample, time), or None
        Curves estimated again from pushes drawn from `centre` with the same noise: they tell the bias of readings [Pa].
    weighted_down : ndarray of int64, shape (push,), or None
        Indices into `push_time` of pushes weighted down as outliers.
    loss_tangent, loss_low, loss_high : ndarray, shape (time,), or None
        Posterior median and pointwise 95 % band of G''/G' at `frequency` [-]; None with Kelvin-Voigt.
    loss_paths : ndarray, shape (path, time), or None
        Joint sample paths of G''/G', in the order of `paths` [-].
    frequency : float or None
        At which modulus and loss tangent are stated [Hz]; None with Kelvin-Voigt, whose modulus is that of every
        frequency.
    loss_centre : ndarray, shape (time,), or None
        Curve of the posterior mean weights of the loss tangent [-].
    loss_resampled : ndarray, shape (resample, time), or None
        As `resampled`, of the loss tangent [-].
    loss_absent : str
        Why there is no loss tangent; empty with Kelvin-Voigt and where there is one.
    """

    time: Floats
    modulus: Floats
    low: Floats
    high: Floats
    paths: Floats
    viscosity: Floats | None
    viscosity_low: Floats | None
    viscosity_high: Floats | None
    push_time: Floats
    seed: int
    settings: dict[str, float]
    centre: Floats | None = None
    resampled: Floats | None = None
    weighted_down: NDArray[np.int64] | None = None
    loss_tangent: Floats | None = None
    loss_low: Floats | None = None
    loss_high: Floats | None = None
    loss_paths: Floats | None = None
    frequency: float | None = None
    loss_centre: Floats | None = None
    loss_resampled: Floats | None = None
    loss_absent: str = ""
