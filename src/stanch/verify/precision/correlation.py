"""Intraclass correlations, and the correlation of repeated measures within subjects."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.precision.factors import codes
from stanch.verify.precision.nested import centred
from stanch.verify.records import Bounded

__all__ = ["Intraclass", "WithinSubjects", "intraclass", "within_subject_correlation"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Intraclass:
    """The six intraclass correlations of Shrout and Fleiss.

    Parameters
    ----------
    one_way, two_way, fixed : Bounded
        Of a single reading: readers differ from target to target; the same random readers; the same fixed ones [-].
    one_way_mean, two_way_mean, fixed_mean : Bounded
        Of the mean over the readers [-].
    targets, readers : int
    mean_squares : mapping of str to float
        ``targets``, ``within``, ``readers``, ``error`` [unit] squared.
    """

    one_way: Bounded
    two_way: Bounded
    fixed: Bounded
    one_way_mean: Bounded
    two_way_mean: Bounded
    fixed_mean: Bounded
    targets: int
    readers: int
    mean_squares: dict[str, float]


def intraclass(values: ArrayLike, target: ArrayLike, reader: ArrayLike, *, level: float = 0.95) -> Intraclass:
    """Intraclass correlations of a complete table of targets by readers.

    Parameters
    ----------
    values : array_like, shape (row,)
        [unit].
    target, reader : array_like of str, shape (row,)
        Names; every reader reads every target once.
    level : float
        [-].

    Returns
    -------
    Intraclass

    Raises
    ------
    InputError
        If the table is not complete, or all readings are equal.

    Notes
    -----
    Shrout PE, Fleiss JL. Psychol Bull 86:420-428 (1979); limits from the F distribution, for the random readers by
    McGraw KO, Wong SP. Psychol Methods 1:30-46 (1996); both from memory.
    """
    z, _, size = centred(values)
    who, by = codes(target), codes(reader)
    n, k = int(who.max()) + 1, int(by.max()) + 1
    if who.size != z.size or by.size != z.size:
        raise InputError("targets and readers", got=(who.size, by.size), allowed=f"{z.size} of each")
    if n < 2 or k < 2 or z.size != n * k or (np.bincount(who * k + by, minlength=n * k) != 1).any():
        raise InputError(
            "readings",
            got=f"{z.size} of {n} targets by {k} readers",
            allowed="every reader reads every target once, two or more of each",
            do="Use the crossed design of precision for incomplete or repeated readings.",
        )
    if not z.any():
        raise InputError("readings", got="all equal", allowed="readings that differ")
    table = np.empty((n, k))
    table[who, by] = z
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    middle = float(table.mean())
    bms = k * float(np.sum((rows - middle) ** 2)) / (n - 1)
    wms = float(np.sum((table - rows[:, None]) ** 2)) / (n * (k - 1))
    jms = n * float(np.sum((columns - middle) ** 2)) / (k - 1)
    ems = float(np.sum((table - rows[:, None] - columns[None, :] + middle) ** 2)) / ((n - 1) * (k - 1))
    one = _from_f(bms, wms, k, n - 1, n * (k - 1), level)
    fixed = _from_f(bms, ems, k, n - 1, (n - 1) * (k - 1), level)
    two = _two_way(bms, jms, ems, n, k, level)
    square = size * size
    means = [_of_mean(single, k) for single in (one, two, fixed)]
    return Intraclass(
        one,
        two,
        fixed,
        means[0],
        means[1],
        means[2],
        n,
        k,
        {"targets": bms * square, "within": wms * square, "readers": jms * square, "error": ems * square},
    )


def _from_f(between: float, within: float, k: int, df1: int, df2: int, level: float) -> Bounded:
    from scipy import special

    value = (between - within) / (between + (k - 1) * within)
    if within == 0:
        return Bounded(value, unit="1", level=level, why="Readings of a target agree exactly: no interval.")
    f, tail = between / within, (1 - level) / 2
    low = f / float(special.fdtri(df1, df2, 1 - tail))
    high = f * float(special.fdtri(df2, df1, 1 - tail))
    return Bounded(value, (low - 1) / (low + k - 1), (high - 1) / (high + k - 1), "1", level)


def _two_way(bms: float, jms: float, ems: float, n: int, k: int, level: float) -> Bounded:
    from scipy import special

    value = (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n)
    if ems == 0 or value >= 1:
        return Bounded(value, unit="1", level=level, why="Targets and readers add up exactly: no interval.")
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    v = (a * jms + b * ems) ** 2 / ((a * jms) ** 2 / (k - 1) + (b * ems) ** 2 / ((n - 1) * (k - 1)))
    tail = (1 - level) / 2
    low_f = float(special.fdtri(n - 1, v, 1 - tail))
    high_f = float(special.fdtri(v, n - 1, 1 - tail))
    noise = k * jms + (k * n - k - n) * ems
    low = n * (bms - low_f * ems) / (low_f * noise + n * bms)
    high = n * (high_f * bms - ems) / (noise + n * high_f * bms)
    return Bounded(value, min(low, value), max(high, value), "1", level)


def _of_mean(single: Bounded, k: int) -> Bounded:
    def step_up(r: float | None) -> float | None:
        # Below -1/(k-1) a mean of readers has no such correlation.
        return None if r is None or 1 + (k - 1) * r <= 0 else k * r / (1 + (k - 1) * r)

    value = step_up(single.value)
    why = single.why or ("" if value is not None else "The single reading's correlation is too far below zero.")
    return Bounded(value, step_up(single.low), step_up(single.high), "1", single.level, why)


@dataclass(frozen=True)
class WithinSubjects:
    """Correlation of two quantities within subjects, common slope, own level for each.

    Parameters
    ----------
    r : Bounded
        [-].
    slope : float
        Of y on x within subjects [unit] of y over [unit] of x.
    f, p : float or None
        Test of no slope [-]; null for an exact fit.
    df : int
        Of the residuals [-].
    subjects, n : int
    """

    r: Bounded
    slope: float
    f: float | None
    p: float | None
    df: int
    subjects: int
    n: int


def within_subject_correlation(
    x: ArrayLike, y: ArrayLike, subject: ArrayLike, *, level: float = 0.95
) -> WithinSubjects:
    """Does a change in x go with a change in y within subjects?

    Parameters
    ----------
    x, y : array_like, shape (row,)
        [unit].
    subject : array_like of str, shape (row,)
        Names; subjects with a single pair tell nothing and are not counted.
    level : float
        [-].

    Returns
    -------
    WithinSubjects

    Raises
    ------
    InputError
        If lengths differ, too few repeated pairs are there, or x or y does not change within any subject.

    Notes
    -----
    Analysis of covariance with subjects as factor: Bland JM, Altman DG. BMJ 310:446 (1995), from memory. Limits of r
    by Fisher's transform with df + 2 in place of the number of pairs.
    """
    from scipy import special

    a, _, size_a = centred(x, "x")
    b, _, size_b = centred(y, "y")
    who = codes(subject)
    if a.size != b.size or who.size != a.size:
        raise InputError("pairs", got=(a.size, b.size, who.size), allowed="as many x, y and subjects")
    repeated = np.bincount(who)[who] > 1
    a, b, who = a[repeated], b[repeated], codes(who[repeated]) if repeated.any() else who[:0]
    subjects = int(who.max()) + 1 if who.size else 0
    df = int(a.size) - subjects - 1
    if df < 1:
        raise InputError("pairs", got=f"{a.size} repeated pairs", allowed="two more than subjects with repeats")
    count = np.bincount(who)
    a = a - (np.bincount(who, a) / count)[who]
    b = b - (np.bincount(who, b) / count)[who]
    sxx, syy, sxy = float(a @ a), float(b @ b), float(a @ b)
    # Rounding of equal values about their mean is not a change.
    for name, s in (("x", sxx), ("y", syy)):
        if s <= 1e-24 * a.size:
            raise InputError(name, got="no change within any subject", allowed="values that change within subjects")
    r = max(-1.0, min(1.0, sxy / math.sqrt(sxx * syy)))
    rest = syy - sxy * sxy / sxx
    f = sxy * sxy / sxx / (rest / df) if rest > 1e-14 * syy else None
    p = None if f is None else float(special.fdtrc(1, df, f))
    bounded = Bounded(r, unit="1", level=level, why="Too few pairs or an exact fit: no interval.")
    if f is not None and df > 1:
        half = float(special.ndtri(0.5 + level / 2)) / math.sqrt(df - 1)
        bounded = Bounded(r, math.tanh(math.atanh(r) - half), math.tanh(math.atanh(r) + half), "1", level)
    return WithinSubjects(bounded, sxy / sxx * (size_b / size_a), f, p, df, subjects, int(a.size))
