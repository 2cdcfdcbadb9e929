"""Constants of ranges and standard deviations of normal samples, by integration instead of from a rounded table."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from stanch.errors import InputError

__all__ = ["c4", "d2", "d3"]


def _size(n: int) -> None:
    if not (int(n) == n and n >= 2):
        raise InputError("sample size of a range or a standard deviation", got=n, allowed="a whole number from 2")


@lru_cache(maxsize=512)
def _range_moments(n: int) -> tuple[float, float]:
    """Mean and mean square of the range of `n` standard normal values."""
    from scipy import special

    # Beyond 9.5 the terms left out are below n * 1e-21.
    nodes, weights = np.polynomial.legendre.leggauss(400)
    end = 9.5
    y, wy = end * nodes, end * weights
    lower = special.ndtr(y)
    upper = special.ndtr(-y)
    mean = float(wy @ (1 - lower**n - upper**n))
    # x runs from -end to y on its own nodes, so that the integrand is smooth on the triangle.
    half = (y + end) / 2
    x = -end + half[:, None] * (nodes + 1)
    wx = half[:, None] * weights
    inside = np.maximum(special.ndtr(y)[:, None] - special.ndtr(x), 0.0)
    square = 2 * float(wy @ (wx * (1 - lower[:, None] ** n - special.ndtr(-x) ** n + inside**n)).sum(axis=1))
    return mean, square


def d2(n: int, *, rounded: bool = False) -> float:
    """Mean range of `n` standard normal values.

    Parameters
    ----------
    n : int
        From 2.
    rounded : bool
        To three decimals, as in printed tables.

    Returns
    -------
    float
        [-].

    Notes
    -----
    Tippett LHC. Biometrika 17:364-387 (1925), from memory; the integral is evaluated here.

    Examples
    --------
    >>> round(d2(2), 6), d2(2, rounded=True)
    (1.128379, 1.128)
    """
    _size(n)
    exact = 2 / math.sqrt(math.pi) if n == 2 else _range_moments(int(n))[0]
    return round(exact, 3) if rounded else exact


def d3(n: int) -> float:
    """Standard deviation of the range of `n` standard normal values.

    Parameters
    ----------
    n : int
        From 2.

    Returns
    -------
    float
        [-].
    """
    _size(n)
    mean, square = _range_moments(int(n))
    return math.sqrt(square - mean * mean)


def c4(n: int) -> float:
    """Mean standard deviation of `n` standard normal values.

    Parameters
    ----------
    n : int
        From 2.

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    _size(n)
    if n > 10_000:
        # The series: the quotient of gamma functions loses digits at such n.
        return 1 - 1 / (4 * n) - 7 / (32 * n**2) - 19 / (128 * n**3)
    return math.sqrt(2 / (n - 1)) * math.exp(float(special.gammaln(n / 2) - special.gammaln((n - 1) / 2)))
