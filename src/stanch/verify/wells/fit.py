"""The additive fit of sample, run and well, as a result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["WellFit"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class WellFit:
    """The additive fit: sample + run + well, on the working scale.

    Parameters
    ----------
    effects : ndarray, shape (well,)
        Sum to zero [unit].
    covariance : ndarray, shape (well, well)
        [-].
    rss : float
        Residual sum of squares of the cells [-].
    df : float
        [-].
    residuals : ndarray, shape (cell,)
        [unit].
    rank : int
        Comparisons of wells that the layout allows: one less than there are wells when all are connected.
    seen : ndarray, shape (well, well)
        Projector onto the comparisons that the layout allows [-].
    """

    effects: Floats
    covariance: Floats
    rss: float
    df: float
    residuals: Floats
    rank: int
    seen: Floats
