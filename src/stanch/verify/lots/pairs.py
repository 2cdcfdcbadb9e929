"""Paired samples measured with both lots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.verify.equivalence import Equivalence, paired
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["LotChange", "lot_change"]


@dataclass(frozen=True)
class LotChange:
    """A lot change seen in paired samples.

    Parameters
    ----------
    n : int
        Pairs.
    equivalence : Equivalence
        Mean difference new minus old against the allowed one [unit].
    difference : Bounded
        The same mean difference with its 95 % interval [unit].
    sd : float
        Of the differences [unit].
    t, p : float or None
        Paired t test of no difference [-]; null when all differences are equal.
    """

    n: int
    equivalence: Equivalence
    difference: Bounded
    sd: float
    t: float | None
    p: float | None


def lot_change(
    old: ArrayLike, new: ArrayLike, *, allowed: float | None = None, alpha: float = 0.05, unit: str = ""
) -> LotChange:
    """Compare a new lot with the old one on the same samples.

    Parameters
    ----------
    old, new : array_like, shape (sample,)
        [unit].
    allowed : float, optional
        Largest mean difference allowed, either way [unit].
    alpha : float
        Of each one-sided test [-].
    unit : str

    Returns
    -------
    LotChange
    """
    from scipy import special

    x, y = checked(old, "old lot", least=2), checked(new, "new lot", least=2)
    edge = None if allowed is None else abs(allowed)
    found = paired(x, y, lower=None if edge is None else -edge, upper=edge, alpha=alpha, unit=unit)
    wide = paired(x, y, alpha=0.025, unit=unit)
    sd = float(np.std(y - x, ddof=1))
    mean = found.difference.value
    assert mean is not None
    t = mean / found.se if found.se > 0 else None
    p = None if t is None else float(2 * special.stdtr(found.df, -abs(t)))
    return LotChange(int(x.size), found, wide.difference, sd, t, p)
