"""Smallest numbers for limits that assume no distribution."""

from __future__ import annotations

import math

from stanch.errors import InputError
from stanch.verify.design.search import smallest

__all__ = ["reference_limits_n", "tolerance_confidence", "tolerance_n"]


def reference_limits_n(*, share: float = 0.95, confidence: float = 0.90) -> int:
    """Smallest sample in which ranks give an interval of each of two reference limits.

    Parameters
    ----------
    share : float
        Middle share of the population between the limits [-].
    confidence : float
        Of the interval of each limit [-].

    Returns
    -------
    int

    Notes
    -----
    The lowest value must lie below the lower limit, and the highest above the upper one, with a probability that leaves
    no more than half of 1 - confidence outside on that side.

    Examples
    --------
    >>> reference_limits_n()
    119
    """
    for name, value in (("share", share), ("confidence", confidence)):
        if not 0 < value < 1:
            raise InputError(name, got=value, allowed="above 0 and below 1")
    outside = (1 - share) / 2
    return max(1, math.ceil(math.log((1 - confidence) / 2) / math.log1p(-outside) - 1e-9))


def tolerance_confidence(n: int, *, share: float, sides: int = 1) -> float:
    """Confidence that the extreme values of a sample enclose a share of the population.

    Parameters
    ----------
    n : int
    share : float
        [-].
    sides : int
        1: below the highest (or above the lowest); 2: between both [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Wilks SS. Ann Math Stat 12:91-96 (1941), from memory.
    """
    if not 0 < share < 1:
        raise InputError("share", got=share, allowed="above 0 and below 1")
    if sides == 1:
        return -math.expm1(n * math.log(share))
    return 1.0 - share**n - n * (1 - share) * share ** (n - 1)


def tolerance_n(*, share: float = 0.95, confidence: float = 0.95, sides: int = 1) -> int:
    """Smallest sample whose extreme values enclose a share of the population with this confidence.

    Parameters
    ----------
    share, confidence : float
        [-].
    sides : int
        [-].

    Returns
    -------
    int

    Examples
    --------
    >>> tolerance_n(), tolerance_n(sides=2)
    (59, 93)
    """
    found = smallest(lambda n: tolerance_confidence(n, share=share, sides=sides), confidence, start=sides)
    if found is None:
        raise InputError("share", got=share, allowed="a share that some sample can enclose")
    return found
