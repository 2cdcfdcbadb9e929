"""A control chart as data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Chart"]

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Chart:
    """Values against a centre line and limits.

    Parameters
    ----------
    value : ndarray, shape (point,)
        [unit].
    centre, sigma : float
        Centre line and the standard deviation of one result [unit].
    low, high : ndarray, shape (point,)
        Control limits [unit].
    signal : ndarray of bool, shape (point,)
        Strictly outside them.
    """

    value: Floats
    centre: float
    sigma: float
    low: Floats
    high: Floats
    signal: Flags
