"""Which ordered values enclose a quantile: exact ranks from the binomial distribution."""

from __future__ import annotations

import math

from stanch.errors import InputError

__all__ = ["least_size", "rank_interval"]


def rank_interval(n: int, p: float, level: float = 0.90) -> tuple[int | None, int | None]:
    """Ranks whose values enclose a quantile with at least the level, equal tails, exact for any distribution.

    Parameters
    ----------
    n : int
        Values.
    p : float
        Probability below the quantile [-].
    level : float
        [-].

    Returns
    -------
    tuple of int or None
        Ranks counted from 1; None where no value is far enough out.

    Notes
    -----
    The r-th smallest lies above the quantile with probability P(X <= r - 1), X binomial (n, p): the low end is the
    largest r for which this is at most (1 - level)/2, the high end its mirror image.
    """
    if n < 1 or not 0 < p < 1 or not 0 < level < 1:
        raise InputError("rank interval", got=(n, p, level), allowed="n >= 1, p and level between 0 and 1")
    tail = (1 - level) / 2

    def largest(q: float) -> int | None:
        # P(X <= r - 1) rises with r: bisect on r.
        from scipy import special

        below, above = 0, n + 1
        while above - below > 1:
            r = (below + above) // 2
            if float(special.bdtr(float(r - 1), n, q)) <= tail:
                below = r
            else:
                above = r
        return below or None

    low, mirrored = largest(p), largest(1 - p)
    return low, None if mirrored is None else n + 1 - mirrored


def least_size(p: float, level: float = 0.90) -> int:
    """Fewest values for which the interval of a quantile has both ends.

    Parameters
    ----------
    p : float
        [-].
    level : float
        [-].

    Returns
    -------
    int
        119 for 0.025 at 90 %.
    """
    if not 0 < p < 1 or not 0 < level < 1:
        raise InputError("smallest size", got=(p, level), allowed="p and level between 0 and 1")
    return math.ceil(math.log((1 - level) / 2) / math.log1p(-min(p, 1 - p)))
