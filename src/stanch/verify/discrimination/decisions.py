"""Two decisions about the same people."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.records import Bounded

__all__ = ["PairedDecisions", "mcnemar", "paired_decisions"]


@dataclass(frozen=True)
class PairedDecisions:
    """McNemar's comparison of two decisions about the same people.

    Parameters
    ----------
    both, only_first, only_second, neither : int
        People decided positive by both, by one alone, by neither.
    difference : Bounded
        Share positive by the first minus share positive by the second [-].
    chi2, chi2_corrected : float or None
        Without and with continuity correction, 1 degree of freedom [-]; null when the decisions never differ.
    p, p_corrected : float or None
        Of these [-].
    p_exact, p_mid : float
        Exact binomial and its mid-p [-].
    """

    both: int
    only_first: int
    only_second: int
    neither: int
    difference: Bounded
    chi2: float | None
    chi2_corrected: float | None
    p: float | None
    p_corrected: float | None
    p_exact: float
    p_mid: float


def mcnemar(both: int, only_first: int, only_second: int, neither: int, *, level: float = 0.95) -> PairedDecisions:
    """Compare two decisions from the four counts.

    Parameters
    ----------
    both, only_first, only_second, neither : int
    level : float
        Of the interval of the difference [-].

    Returns
    -------
    PairedDecisions

    Raises
    ------
    InputError
        If a count is negative or all are zero.

    Notes
    -----
    McNemar Q. Psychometrika 12:153-157 (1947); interval of the difference by adding one to both unequal cells: Bonett
    DG, Price RM. J Educ Behav Stat 37:479-488 (2012); both from memory.
    """
    from scipy import special

    counts = (both, only_first, only_second, neither)
    total = sum(counts)
    if min(counts) < 0 or total == 0:
        raise InputError("counts of paired decisions", got=counts, allowed="not below zero, not all zero")
    b, c = only_first, only_second
    unequal = b + c
    chi2 = (b - c) ** 2 / unequal if unequal else None
    corrected = max(abs(b - c) - 1, 0) ** 2 / unequal if unequal else None
    half_tail = float(special.bdtr(float(min(b, c)), unequal, 0.5)) if unequal else 1.0
    at = half_tail - (float(special.bdtr(float(min(b, c) - 1), unequal, 0.5)) if min(b, c) else 0.0)
    first, second = (b + 1) / (total + 2), (c + 1) / (total + 2)
    half = float(special.ndtri((1 + level) / 2)) * math.sqrt((first + second - (first - second) ** 2) / (total + 2))
    value = (b - c) / total
    low, high = max(-1.0, first - second - half), min(1.0, first - second + half)
    return PairedDecisions(
        *counts,
        Bounded(value, min(low, value), max(high, value), "1", level),
        chi2,
        corrected,
        None if chi2 is None else float(special.chdtrc(1, chi2)),
        None if corrected is None else float(special.chdtrc(1, corrected)),
        min(1.0, 2 * half_tail),
        min(1.0, 2 * half_tail - at),
    )


def paired_decisions(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> PairedDecisions:
    """Compare two decisions person by person.

    Parameters
    ----------
    first, second : array_like of bool, shape (person,)
        Whether each decision is positive.
    level : float
        Of the interval of the difference [-].

    Returns
    -------
    PairedDecisions

    Raises
    ------
    InputError
        If the lengths differ or there is nobody.
    """
    x, y = np.asarray(first, dtype=bool), np.asarray(second, dtype=bool)
    if x.shape != y.shape:
        raise InputError("paired decisions", got=f"{x.size} and {y.size}", allowed="one of each per person")
    return mcnemar(int((x & y).sum()), int((x & ~y).sum()), int((~x & y).sum()), int((~x & ~y).sum()), level=level)
