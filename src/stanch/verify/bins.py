"""Edges of histograms, also of values that hardly differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["bin_edges"]


def bin_edges(low: float, high: float, bins: int) -> NDArray[np.float64]:
    """Edges of equally wide bins from one number to another.

    Parameters
    ----------
    low, high : float
        Ends [unit].
    bins : int
        How many [-].

    Returns
    -------
    ndarray, shape (bins + 1,)
        Where the ends differ by too little for that many edges, a range just wide enough about them [unit].

    Examples
    --------
    >>> bin_edges(0.0, 2.0, 2).tolist()
    [0.0, 1.0, 2.0]
    >>> bin_edges(0.0, 0.0, 2).tolist()
    [-0.5, 0.0, 0.5]
    """
    size = max(abs(low), abs(high))
    least = 16 * bins * np.finfo(float).eps * size if size > 0 else 1.0
    if high - low < least:
        middle = low / 2 + high / 2
        low, high = middle - least / 2, middle + least / 2
    return np.linspace(low, high, bins + 1)
