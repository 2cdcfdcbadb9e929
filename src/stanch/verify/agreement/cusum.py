"""Cusum test of linearity for a Passing-Bablok line: do the points leave it in runs?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.lines import paired_values

__all__ = ["CusumTest", "cusum_linearity"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CusumTest:
    """Cumulative sum of the signs of residuals along a line.

    Parameters
    ----------
    above, below, on : int
        Points above, below and on the line.
    largest : float
        Largest absolute cumulative sum [-].
    statistic : float
        The same over sqrt(below + 1) [-].
    p : float
        From the limiting distribution of Kolmogorov [-].
    position : ndarray, shape (sample,)
        Distance along the line, ascending [unit].
    path : ndarray, shape (sample,)
        Cumulative sum in that order [-].
    """

    above: int
    below: int
    on: int
    largest: float
    statistic: float
    p: float
    position: Floats
    path: Floats


def cusum_linearity(x: ArrayLike, y: ArrayLike, intercept: float, slope: float) -> CusumTest:
    """Test whether points scatter about a line at random along it.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    intercept, slope : float
        The fitted line [unit].

    Returns
    -------
    CusumTest

    Raises
    ------
    InputError
        If all points lie on one side, or the slope is not above zero.

    Notes
    -----
    Passing H, Bablok W 1983 (from memory): points are sorted along the line; those above score sqrt(below/above), those
    below -sqrt(above/below), those on it 0. Largest absolute cumulative sum over sqrt(below + 1) against the
    distribution of Kolmogorov. Because slope and intercept are fitted this is not a plain two-sample test; how often it
    rejects true lines is measured in benchmarks/verification_coverage_agreement.py.

    Examples
    --------
    >>> found = cusum_linearity([1.0, 2.0, 3.0, 4.0], [1.1, 1.9, 3.1, 3.9], 0.0, 1.0)
    >>> found.above, found.below, round(found.largest, 9)
    (2, 2, 1.0)
    """
    from scipy import special

    xs, ys = paired_values(x, y)
    if not (math.isfinite(slope) and slope > 0 and math.isfinite(intercept)):
        raise InputError("line of the cusum test", got=(intercept, slope), allowed="finite numbers, slope above 0")
    rest = ys - intercept - slope * xs
    size = np.maximum(np.abs(ys), np.abs(slope * xs)) + abs(intercept)
    sign = np.where(np.abs(rest) <= 8 * np.finfo(float).eps * size, 0, np.sign(rest)).astype(int)
    above, below = int((sign > 0).sum()), int((sign < 0).sum())
    position = (ys + xs / slope - intercept) / math.hypot(1.0, 1.0 / slope)
    order = np.argsort(position, kind="stable")
    if not above or not below:
        if above == below:
            return CusumTest(0, 0, int(xs.size), 0.0, 0.0, 1.0, position[order], np.zeros(xs.size))
        raise InputError("line of the cusum test", got="all points on one side", allowed="a line through the points")
    up, down = math.sqrt(below / above), math.sqrt(above / below)
    path = np.cumsum(np.where(sign > 0, up, np.where(sign < 0, -down, 0.0))[order])
    largest = float(np.abs(path).max())
    statistic = largest / math.sqrt(below + 1)
    return CusumTest(
        above,
        below,
        int(xs.size) - above - below,
        largest,
        statistic,
        float(special.kolmogorov(statistic)),
        position[order],
        path,
    )
