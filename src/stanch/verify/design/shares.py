"""Sample size for shares: one share against a claimed one, and how well a share is known."""

from __future__ import annotations

import math

import numpy as np

from stanch.errors import InputError
from stanch.verify.intervals import share_interval

__all__ = ["share_half_width", "share_n", "share_power", "share_rule"]


def _check(true: float, claimed: float) -> None:
    for name, value in (("true share", true), ("claimed share", claimed)):
        if not 0 < value < 1:
            raise InputError(name, got=value, allowed="above 0 and below 1")


def share_n(power: float, *, true: float, claimed: float, alpha: float = 0.05, sides: int = 2) -> float:
    """Fractional number at which a normal test of a share against a claimed one has this power.

    Parameters
    ----------
    power : float
        [-].
    true, claimed : float
        Shares [-].
    alpha : float
        [-].
    sides : int
        [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Normal approximation with both variances, the side away from the truth left out (Fleiss, Statistical Methods for
    Rates and Proportions, from memory).

    Examples
    --------
    >>> round(share_n(0.8, true=0.95, claimed=0.90), 4)
    238.0332
    """
    from scipy import special

    _check(true, claimed)
    if true == claimed:
        raise InputError("true share", got=true, allowed=f"another than the claimed {claimed}")
    a, b = float(special.ndtri(1 - alpha / sides)), float(special.ndtri(power))
    root = a * math.sqrt(claimed * (1 - claimed)) + b * math.sqrt(true * (1 - true))
    return (root / (true - claimed)) ** 2


def share_rule(n: int, *, claimed: float, alpha: float = 0.05) -> int | None:
    """The smallest count of n that shows, by the exact one-sided test, a share above the claimed one.

    Parameters
    ----------
    n : int
    claimed : float
        [-].
    alpha : float
        [-].

    Returns
    -------
    int or None
        None if even all of n do not.
    """
    from scipy import special

    counts = np.arange(n + 1)
    beyond = 1.0 - np.where(counts > 0, special.bdtr(np.maximum(counts - 1, 0), n, claimed), 0.0)
    enough = np.flatnonzero(beyond <= alpha)
    return int(enough[0]) if enough.size else None


def share_power(n: int, *, true: float, claimed: float, alpha: float = 0.05) -> float:
    """Probability that the exact one-sided test shows a share above the claimed one.

    Parameters
    ----------
    n : int
    true, claimed : float
        [-].
    alpha : float
        [-].

    Returns
    -------
    float
        [-]; it does not rise evenly with n, since counts are whole numbers.
    """
    from scipy import special

    _check(true, claimed)
    least = share_rule(n, claimed=claimed, alpha=alpha)
    if least is None:
        return 0.0
    return 1.0 if least == 0 else float(1.0 - special.bdtr(least - 1, n, true))


def share_half_width(n: int, *, true: float, level: float = 0.95) -> float:
    """Half-width of the exact interval when the share comes out as expected.

    Parameters
    ----------
    n : int
    true : float
        Expected share [-].
    level : float
        [-].

    Returns
    -------
    float
        [-].
    """
    found = share_interval(round(n * true), n, level=level)
    assert found.low is not None
    assert found.high is not None
    return 0.5 * (found.high - found.low)
