"""The ratio of two totals from pairs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["ratio_of_totals"]


def ratio_of_totals(top: ArrayLike, bottom: ArrayLike, *, level: float = 0.95) -> Bounded:
    """Sum of one over sum of the other, with Fieller's interval.

    Parameters
    ----------
    top, bottom : array_like, shape (sample,)
        Pairs [unit].
    level : float
        [-].

    Returns
    -------
    Bounded
        [-]; without ends where the bottom is not told from zero.

    Raises
    ------
    InputError
        If there are fewer than two pairs or the bottom sums to zero.

    Notes
    -----
    Fieller EC. J R Stat Soc B 16:175-185 (1954), from memory.
    """
    from scipy import special

    above, under = checked(top, "top", least=2), checked(bottom, "bottom", least=2)
    if above.size != under.size or float(under.sum()) == 0.0:
        raise InputError("ratio of totals", got=f"{above.size} and {under.size} values", allowed="pairs, bottom not 0")
    scale = float(np.abs(under).max())
    a, b = above / scale, under / scale
    n = a.size
    ratio = float(a.mean() / b.mean())
    t2 = float(special.stdtrit(n - 1, 0.5 + level / 2)) ** 2 / n
    rest = a - ratio * b
    see, sbb = float(rest @ rest) / (n - 1), float(b.var(ddof=1))
    seb = float(rest @ (b - b.mean())) / (n - 1)
    # mean(a - r b) = 0 within its own t interval: a quadratic in r, written about the ratio so that nothing cancels.
    p = float(b.mean()) ** 2 - t2 * sbb
    if p <= 0:
        return Bounded(ratio, None, None, "1", level, "What stands below scatters too much for an interval.")
    root = math.sqrt((t2 * seb) ** 2 + p * t2 * see)
    return Bounded(ratio, ratio - (t2 * seb + root) / p, ratio + (root - t2 * seb) / p, "1", level)
