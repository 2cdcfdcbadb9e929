"""Reference limits of a normal distribution, with exact intervals."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.limits import Floats, ReferenceLimits, Side, probabilities, reference_values

__all__ = ["above_zero", "normal_limits", "normal_quantile_interval", "spread", "standard_deviation"]


def normal_quantile_interval(mean: float, sd: float, n: int, p: float, level: float) -> tuple[float, float, float]:
    """A quantile of a normal distribution from mean and standard deviation, with its exact interval.

    Parameters
    ----------
    mean, sd : float
        Of the sample; the standard deviation with n - 1 [unit].
    n : int
    p : float
        Probability below the quantile [-].
    level : float
        [-].

    Returns
    -------
    tuple of float
        Quantile and ends of its interval [unit].

    Notes
    -----
    (q - mean) sqrt(n)/sd follows a non-central t distribution with n - 1 degrees of freedom and non-centrality
    z_p sqrt(n).
    """
    from scipy import special

    z, root = float(special.ndtri(p)), math.sqrt(n)
    tail = (1 - level) / 2
    ends = sorted(
        float(math.copysign(1.0, z) * special.nctdtrit(n - 1.0, abs(z) * root, tail_end) / root)
        for tail_end in (tail, 1 - tail)
    )
    return mean + z * sd, mean + ends[0] * sd, mean + ends[1] * sd


def normal_limits(
    values: ArrayLike,
    *,
    coverage: float = 0.95,
    side: Side = "two",
    level: float = 0.90,
    logarithm: bool = False,
    unit: str = "",
) -> ReferenceLimits:
    """Reference limits of a normal or log-normal distribution: mean + z SD, with exact non-central t intervals.

    Parameters
    ----------
    values : array_like, shape (person,)
        [unit].
    coverage : float
        [-].
    side : str
        ``two``, ``lower`` or ``upper``.
    level : float
        Of the intervals of the limits [-].
    logarithm : bool
        Take the values as log-normal.
    unit : str

    Returns
    -------
    ReferenceLimits

    Raises
    ------
    InputError
        If there are fewer than three values, all are equal, or a value is not above zero where logarithms are asked.
    """
    x = reference_values(values, level)
    y = np.log(above_zero(x)) if logarithm else x
    centre, scale = spread(y)
    found = {}
    for which, p in probabilities(coverage, side).items():
        numbers = normal_quantile_interval(centre, scale, int(y.size), p, level)
        value, low, high = (math.exp(v) for v in numbers) if logarithm else numbers
        found[which] = Bounded(value, low, high, unit, level)
    return ReferenceLimits(
        "log-normal" if logarithm else "normal",
        "non-central t distribution",
        int(y.size),
        coverage,
        side,
        found.get("lower"),
        found.get("upper"),
        float(np.median(x)),
        details={"mean": centre, "sd": scale},
    )


def above_zero(x: Floats) -> Floats:
    """The values, if all are above zero.

    Parameters
    ----------
    x : ndarray, shape (n,)
        [unit].

    Returns
    -------
    ndarray, shape (n,)
        [unit].

    Raises
    ------
    InputError
        If one is not.
    """
    if (x <= 0).any():
        raise InputError(
            "reference values",
            got=f"{int((x <= 0).sum())} values at or below zero",
            allowed="values above zero, since logarithms or powers are taken",
            do="State a shift, or use the method of ranks.",
        )
    return x


def spread(y: Floats) -> tuple[float, float]:
    """Mean and standard deviation, refusing values that are all equal.

    Parameters
    ----------
    y : ndarray, shape (n,)
        [unit].

    Returns
    -------
    tuple of float
        [unit].

    Raises
    ------
    InputError
        If all values are equal.
    """
    if float(y.max()) == float(y.min()):
        raise InputError(
            "reference values",
            got="values that are all equal",
            allowed="values that differ",
            do="Check the column; only the method of ranks can describe a constant.",
        )
    return float(y.mean()), standard_deviation(y)


def standard_deviation(y: Floats) -> float:
    """Standard deviation with n - 1, also where squares would leave floating point.

    Parameters
    ----------
    y : ndarray, shape (n,)
        [unit].

    Returns
    -------
    float
        [unit].
    """
    d = y - y.mean()
    largest = float(np.abs(d).max())
    return largest * float(np.sqrt(np.square(d / largest).sum() / (y.size - 1))) if largest > 0 else 0.0
