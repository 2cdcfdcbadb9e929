"""The smallest number that gives a power."""

from __future__ import annotations

import math
from collections.abc import Callable

from stanch.errors import InputError

__all__ = ["smallest", "solve"]

MOST = 10_000_000


def smallest(power: Callable[[int], float], wanted: float, *, start: int = 2, most: int = MOST) -> int | None:
    """The smallest whole number at which a rising function reaches what is wanted.

    Parameters
    ----------
    power : callable
        Of the number; rising [-].
    wanted : float
        [-].
    start, most : int
        Range to look in.

    Returns
    -------
    int or None
        None if it is not reached by `most`.

    Examples
    --------
    >>> smallest(lambda n: 1 - 0.5**n, 0.9)
    4
    """
    _checked(wanted)
    low, high = start, start
    while power(high) < wanted:
        if high >= most:
            return None
        low, high = high + 1, min(2 * high, most)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if power(middle) >= wanted else (middle + 1, high)
    return high


def solve(power: Callable[[float], float], wanted: float, *, start: float, most: float = 1e9) -> float | None:
    """The fractional number at which a rising, continuous function reaches what is wanted.

    Parameters
    ----------
    power : callable
        Of the number [-].
    wanted : float
        [-].
    start, most : float
        Range to look in [-].

    Returns
    -------
    float or None
        [-]; None if it is not reached by `most`.
    """
    from scipy import optimize

    _checked(wanted)
    if power(start) >= wanted:
        return start
    high = 2 * start
    while power(high) < wanted:
        if high >= most:
            return None
        high *= 2
    return float(optimize.brentq(lambda n: power(n) - wanted, start, high, xtol=1e-10, rtol=1e-13))


def _checked(wanted: float) -> None:
    if not 0 < wanted < 1 or not math.isfinite(wanted):
        raise InputError("power", got=wanted, allowed="above 0 and below 1")
