"""Power of t tests and of equivalence tests of means."""

from __future__ import annotations

import math
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.design.search import solve

__all__ = ["Groups", "equivalence_power", "inside_power", "shifted_t", "t_test_n", "t_test_power"]

Floats = NDArray[np.float64]
Groups = Literal["two", "paired"]


def _check(sd: float, alpha: float, groups: str) -> None:
    if not (sd > 0 and math.isfinite(sd)):
        raise InputError("standard deviation", got=sd, allowed="above 0")
    if not 0 < alpha < 0.5:
        raise InputError("alpha", got=alpha, allowed="above 0 and below 0.5")
    if groups not in ("two", "paired"):
        raise InputError("groups", got=groups, allowed="two, paired")


def _frame(n: float, sd: float, groups: str) -> tuple[float, float]:
    """Standard error and degrees of freedom."""
    return (sd * math.sqrt(2 / n), 2 * n - 2) if groups == "two" else (sd / math.sqrt(n), n - 1)


def t_test_power(
    n: float, *, difference: float, sd: float, alpha: float = 0.05, groups: Groups = "two", sides: int = 2
) -> float:
    """Probability that a t test finds a true difference.

    Parameters
    ----------
    n : float
        Per group, or pairs [-].
    difference : float
        True one [unit].
    sd : float
        Within a group, or of the pairs' differences [unit].
    alpha : float
        [-].
    groups : str
        ``two`` independent groups of equal size, or ``paired``.
    sides : int
        1 or 2 [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Exact, by the non-central t distribution; the side away from the difference is counted where there are two.
    """
    from scipy import special

    _check(sd, alpha, groups)
    se, df = _frame(n, sd, groups)
    if not df > 0:
        return 0.0
    shift = min(abs(difference) / se, 1e6)
    edge = float(special.stdtrit(df, 1 - alpha / sides))
    if shift > 38 + 2 * edge:
        return 1.0
    power = 1.0 - shifted_t(edge, df, shift)
    return power + (shifted_t(-edge, df, shift) if sides == 2 else 0.0)


def t_test_n(
    power: float, *, difference: float, sd: float, alpha: float = 0.05, groups: Groups = "two", sides: int = 2
) -> float | None:
    """Fractional number per group, or of pairs, at which a t test has this power.

    Parameters
    ----------
    power : float
        [-].
    difference, sd : float
        [unit].
    alpha : float
        [-].
    groups : str
    sides : int
        [-].

    Returns
    -------
    float or None
        [-]; None where there is no difference to find.

    Examples
    --------
    >>> round(t_test_n(0.9, difference=1.0, sd=1.0), 4)
    22.0211
    """
    if difference == 0:
        return None
    return solve(
        lambda n: t_test_power(n, difference=difference, sd=sd, alpha=alpha, groups=groups, sides=sides),
        power,
        start=2.0,
    )


def shifted_t(t: float, df: float, shift: float) -> float:
    """Distribution function of the non-central t, by integration over the scaled chi: safe at any shift [-]."""
    from scipy import special

    q, weight = _scale(df)
    return float(np.sum(weight * special.ndtr(t * q - shift)))


def _scale(df: float, most: float = math.inf) -> tuple[Floats, Floats]:
    """Nodes of s / sigma up to `most`, and their weights, for `df` degrees of freedom [-]."""
    from scipy import special

    x, w = _nodes()
    ends = [0.5 * math.log(2 * float(special.gammaincinv(df / 2, p)) / df) for p in (1e-16, 1 - 1e-16)]
    low, high = ends[0], min(ends[1], math.log(most))
    if high <= low:
        return np.ones(1), np.zeros(1)
    # On the logarithm the density is smooth for any degrees of freedom.
    v = 0.5 * (high - low) * x + 0.5 * (high + low)
    q = np.exp(v)
    log = math.log(2) + 0.5 * df * math.log(df / 2) - float(special.gammaln(df / 2)) + df * v - 0.5 * df * q * q
    return q, 0.5 * (high - low) * w * np.exp(log)


@cache
def _nodes() -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(240)
    return x, w


def equivalence_power(
    n: float,
    *,
    margin: float,
    sd: float,
    difference: float = 0.0,
    alpha: float = 0.05,
    groups: Groups = "paired",
    se_factor: float | None = None,
    df: float | None = None,
) -> float:
    """Probability that two one-sided t tests show a mean difference to lie within plus or minus a margin.

    Parameters
    ----------
    n : float
        Per group, or pairs [-].
    margin, difference : float
        Allowed and true difference [unit].
    sd : float
        Within a group, or of the pairs' differences [unit].
    alpha : float
        Of each test [-].
    groups : str
        ``paired`` or ``two``.
    se_factor, df : float, optional
        Standard error over `sd` and degrees of freedom, instead of those of `groups` [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Exact: integral over the distribution of the sample standard deviation, the same as the difference of two of Owen's
    Q functions (Phillips KF. J Pharmacokinet Biopharm 18:137-144 (1990), from memory).
    """
    from scipy import special

    _check(sd, alpha, groups)
    if not margin > 0:
        raise InputError("margin", got=margin, allowed="above 0")
    se, free = _frame(n, sd, groups)
    se = sd * se_factor if se_factor is not None else se
    free = df if df is not None else free
    if not free > 0:
        return 0.0
    return inside_power(margin, difference, se, float(special.stdtrit(free, 1 - alpha)), free)


def inside_power(margin: float, difference: float, se: float, edge: float, df: float) -> float:
    """Probability that mean plus or minus `edge` estimated standard errors lies within plus or minus the margin.

    Parameters
    ----------
    margin, difference : float
        [unit].
    se : float
        True standard error of the mean [unit].
    edge : float
        Half-width in estimated standard errors [-].
    df : float
        Degrees of freedom of the estimate [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    # A larger estimate leaves no room for the mean at all.
    q, weight = _scale(df, margin / (se * edge))
    inside = special.ndtr((margin - difference) / se - edge * q) - special.ndtr((-margin - difference) / se + edge * q)
    return float(min(1.0, np.sum(weight * np.maximum(inside, 0.0))))
