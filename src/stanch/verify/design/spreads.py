"""Power for standard deviations and for limits of agreement."""

from __future__ import annotations

import math
from typing import Literal

from stanch.errors import InputError
from stanch.verify.design.means import inside_power, shifted_t

__all__ = ["agreement_power", "sd_power", "sd_ratio_limit", "sd_within"]


def sd_ratio_limit(df: float, *, confidence: float = 0.95) -> float:
    """Upper confidence limit of a standard deviation over its estimate.

    Parameters
    ----------
    df : float
        Degrees of freedom [-].
    confidence : float
        One-sided [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    return math.sqrt(df / float(special.chdtri(df, confidence)))


def sd_power(df: float, *, sd: float, allowed: float, confidence: float = 0.95) -> float:
    """Probability that the upper confidence limit of a standard deviation comes out within what is allowed.

    Parameters
    ----------
    df : float
        Degrees of freedom [-].
    sd, allowed : float
        True and allowed [unit].
    confidence : float
        One-sided [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    if not (sd > 0 and allowed > 0):
        raise InputError("standard deviations", got=(sd, allowed), allowed="above 0")
    edge = float(special.chdtri(df, confidence))
    return float(special.gammainc(df / 2, edge * (allowed / sd) ** 2 / 2))


def sd_within(df: float, *, sd: float, limit: float) -> float:
    """Probability that an estimated standard deviation does not exceed a limit.

    Parameters
    ----------
    df : float
        Degrees of freedom [-].
    sd, limit : float
        True standard deviation and limit [unit].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    return float(special.gammainc(df / 2, df * (limit / sd) ** 2 / 2))


def agreement_power(
    n: float,
    *,
    bias: float,
    sd: float,
    allowed: float,
    share: float = 0.95,
    level: float = 0.95,
    method: Literal["exact", "published"] = "exact",
) -> float:
    """Probability that the confidence intervals of both limits of agreement lie within plus or minus what is allowed.

    Parameters
    ----------
    n : float
        Pairs [-].
    bias, sd : float
        True mean and standard deviation of the differences [unit].
    allowed : float
        [unit].
    share : float
        Of the differences between the limits [-].
    level : float
        Of the two-sided confidence interval of each limit [-].
    method : str
        ``exact`` for the interval below, or ``published``: the sum of two tails of the non-central t distribution.

    Returns
    -------
    float
        [-].

    Notes
    -----
    The interval of a limit has the standard error s sqrt(1/n + z^2 / (2 (n - 1))). Published: Lu MJ et al. Int J
    Biostat 12(2):20150039 (2016), from memory; it counts the error of the limit as if it did not go with s, and gives
    0.80 where the exact power is 0.78. Exact: the integral over the distribution of s, own derivation, checked by
    simulation.
    """
    from scipy import special

    if not (sd > 0 and allowed > 0):
        raise InputError("standard deviation and allowed difference", got=(sd, allowed), allowed="above 0")
    if n < 3:
        return 0.0
    z = float(special.ndtri(0.5 + share / 2))
    t = float(special.stdtrit(n - 1, 0.5 + level / 2))
    wide = math.sqrt(1 / n + z * z / (2 * (n - 1)))
    if method == "exact":
        return inside_power(allowed, bias, sd / math.sqrt(n), math.sqrt(n) * (z + t * wide), n - 1)
    shifts = ((allowed - side * bias - z * sd) / (sd * wide) for side in (1, -1))
    return max(0.0, 1.0 - sum(shifted_t(t, n - 1, shift) for shift in shifts))
