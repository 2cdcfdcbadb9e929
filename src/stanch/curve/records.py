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
