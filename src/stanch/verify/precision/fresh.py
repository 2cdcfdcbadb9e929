"""Precision from fresh samples that cannot be stored: every donor is measured once, in duplicate, on the log scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.precision.components import ERROR, Analysis, Method, Total
from stanch.verify.precision.factors import codes
from stanch.verify.precision.nested import nested_anova
from stanch.verify.records import Bounded

__all__ = ["FreshLevel", "bands_of_donors", "cv_from_log_sd", "fresh_precision"]

DONOR = "donor"


@dataclass(frozen=True)
class FreshLevel:
    """Precision at one level of a fresh-sample design.

    Parameters
    ----------
    level : str
    geometric_mean : float
        [unit].
    analysis : Analysis
        Of the natural logarithms.
    sums : mapping of str to Total
        ``repeatability`` and, from the inside out, ``across <factor>``: standard deviations of the logarithm [-].
    cv : mapping of str to Bounded
        The same as exact coefficients of variation [-].
    """

    level: str
    geometric_mean: float
    analysis: Analysis
    sums: dict[str, Total]
    cv: dict[str, Bounded]


def cv_from_log_sd(sd: Bounded) -> Bounded:
    """Coefficient of variation of a log-normal quantity from the standard deviation of its logarithm.

    Parameters
    ----------
    sd : Bounded
        Of the natural logarithm [-].

    Returns
    -------
    Bounded
        sqrt(exp(sd^2) - 1), exact and increasing, so limits carry over [-].
    """

    def one(s: float | None) -> float | None:
        if s is None:
            return None
        if s > 26.0:
            raise InputError("standard deviation of logarithms", got=s, allowed="at most 26, else the CV overflows")
        return math.sqrt(math.expm1(s * s))

    return Bounded(one(sd.value), one(sd.low), one(sd.high), "1", sd.level, sd.why)


def fresh_precision(
    values: ArrayLike,
    donor: ArrayLike,
    within: Mapping[str, ArrayLike],
    *,
    level: ArrayLike | None = None,
    confidence: float = 0.95,
    interval: Method = "satterthwaite",
    reml: bool = True,
) -> tuple[FreshLevel, ...]:
    """Precision within donors, by level.

    Parameters
    ----------
    values : array_like, shape (row,)
        Above zero [unit].
    donor : array_like of str, shape (row,)
        Name of the donor; random, and not counted as imprecision.
    within : mapping of str to array_like of str, shape (row,)
        Conditions within a donor, outermost first, such as operator, well; may be empty for plain duplicates.
    level : array_like of str, shape (row,), optional
        Name of the level; a donor belongs to one.
    confidence : float
        [-].
    interval : str
        As for the analysis.
    reml : bool

    Returns
    -------
    tuple of FreshLevel

    Raises
    ------
    InputError
        If a value is not above zero or a donor has several levels.

    Notes
    -----
    Conditions are taken as nested in donors: a well or operator that reads high for every donor adds to the component
    of its factor. CV = sqrt(exp(s^2) - 1) holds for log-normal scatter (Aitchison J, Brown JAC. The Lognormal
    Distribution. Cambridge (1957), from memory).
    """
    y = checked(values, "results", least=3)
    if (y <= 0).any():
        raise InputError(
            "results",
            got=f"{int((y <= 0).sum())} at or below zero",
            allowed="above zero, since logarithms are taken",
            do="Use the nested design on the results themselves.",
        )
    if DONOR in within:
        raise InputError(f"factor {DONOR}", got="a condition of this name", allowed="any other name")
    logs = np.log(y)
    people = codes(donor)
    if people.size != y.size:
        raise InputError("donors", got=people.size, allowed=f"{y.size}, one for each result")
    marks = np.zeros(y.size, dtype=np.intp) if level is None else np.asarray(level)
    names, place = np.unique(marks, return_inverse=True)
    lowest = np.full(int(people.max()) + 1, names.size)
    highest = np.full(int(people.max()) + 1, -1)
    np.minimum.at(lowest, people, place)
    np.maximum.at(highest, people, place)
    if (lowest != highest).any():
        raise InputError("levels", got="a donor at several levels", allowed="one level per donor")
    found = []
    for k, name in enumerate(names):
        here = place == k
        factors = {DONOR: people[here], **{f: np.asarray(c)[here] for f, c in within.items()}}
        analysis = nested_anova(logs[here], factors, reml=reml)
        sums = {"repeatability": analysis.total((ERROR,), level=confidence, interval=interval, unit="1")}
        parts = [ERROR]
        for factor in reversed(list(within)):
            parts.insert(0, factor)
            sums[f"across {factor}"] = analysis.total(parts, level=confidence, interval=interval, unit="1")
        cv = {key: cv_from_log_sd(total.sd) for key, total in sums.items()}
        found.append(FreshLevel(str(name) if level is not None else "", math.exp(analysis.mean), analysis, sums, cv))
    return tuple(found)


def bands_of_donors(values: ArrayLike, donor: ArrayLike, bands: int) -> NDArray[np.str_]:
    """Sort donors by their geometric mean into bands of about equal numbers.

    Parameters
    ----------
    values : array_like, shape (row,)
        Above zero [unit].
    donor : array_like of str, shape (row,)
    bands : int

    Returns
    -------
    ndarray of str, shape (row,)
        ``band 1`` holds the lowest.

    Raises
    ------
    InputError
        If there are fewer than two donors per band or a value is not above zero.
    """
    y = checked(values, "results", least=2)
    if (y <= 0).any():
        raise InputError("results", got=float(y.min()), allowed="above zero")
    people = codes(donor)
    count = np.bincount(people)
    if bands < 1 or count.size < 2 * bands:
        raise InputError("bands", got=bands, allowed=f"1 to {count.size // 2}, two donors in each")
    mean = np.bincount(people, np.log(y)) / count
    rank = np.empty(count.size, dtype=np.intp)
    rank[np.argsort(mean, kind="stable")] = np.arange(count.size)
    digits = len(str(bands))
    names = np.array([f"band {k + 1:0{digits}d}" for k in range(bands)])
    return np.asarray(names[rank[people] * bands // count.size], dtype=np.str_)
