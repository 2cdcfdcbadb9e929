"""Sensitivity, specificity, likelihood ratios and predictive values of a decision."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.discrimination.marks import Floats
from stanch.verify.intervals import share_interval
from stanch.verify.records import Bounded

__all__ = [
    "Accuracy",
    "ShareInterval",
    "ZeroCells",
    "accuracy",
    "accuracy_of_counts",
    "negative_predictive_value",
    "positive_predictive_value",
    "predictive_values",
]

ShareInterval = Literal["exact", "score"]
ZeroCells = Literal["unavailable", "half"]


@dataclass(frozen=True)
class Accuracy:
    """A decision against the reference classification.

    Parameters
    ----------
    true_positive, false_positive, false_negative, true_negative : int
    sensitivity, specificity : Bounded
        [-].
    positive_ratio, negative_ratio : Bounded
        Likelihood ratios of a positive and of a negative decision [-].
    """

    true_positive: int
    false_positive: int
    false_negative: int
    true_negative: int
    sensitivity: Bounded
    specificity: Bounded
    positive_ratio: Bounded
    negative_ratio: Bounded


def accuracy(
    decided: ArrayLike,
    positive: ArrayLike,
    *,
    level: float = 0.95,
    interval: ShareInterval = "exact",
    zero_cells: ZeroCells = "unavailable",
) -> Accuracy:
    """Sensitivity, specificity and likelihood ratios of decisions.

    Parameters
    ----------
    decided, positive : array_like of bool, shape (person,)
        The decision, and the reference classification.
    level : float
        Of each interval [-].
    interval : str
        ``exact`` (Clopper-Pearson) or ``score`` (Wilson) for the shares.
    zero_cells : str
        Likelihood ratios where a cell is zero: ``unavailable``, or ``half`` to add one half to all four cells.

    Returns
    -------
    Accuracy

    Raises
    ------
    InputError
        If the lengths differ or a group is empty.
    """
    d, truth = np.asarray(decided, dtype=bool), np.asarray(positive, dtype=bool)
    if d.shape != truth.shape:
        raise InputError("decisions", got=f"{d.size} and {truth.size} entries", allowed="one of each per person")
    return accuracy_of_counts(
        int((d & truth).sum()),
        int((d & ~truth).sum()),
        int((~d & truth).sum()),
        int((~d & ~truth).sum()),
        level=level,
        interval=interval,
        zero_cells=zero_cells,
    )


def accuracy_of_counts(
    true_positive: int,
    false_positive: int,
    false_negative: int,
    true_negative: int,
    *,
    level: float = 0.95,
    interval: ShareInterval = "exact",
    zero_cells: ZeroCells = "unavailable",
) -> Accuracy:
    """The same from the four counts.

    Parameters
    ----------
    true_positive, false_positive, false_negative, true_negative : int
    level : float
        Of each interval [-].
    interval, zero_cells : str
        As in `accuracy`.

    Returns
    -------
    Accuracy

    Raises
    ------
    InputError
        If a count is negative or a group empty.
    """
    cells = (true_positive, false_positive, false_negative, true_negative)
    p, n = true_positive + false_negative, false_positive + true_negative
    if min(cells) < 0 or p == 0 or n == 0:
        raise InputError("counts of decisions", got=cells, allowed="not below zero, and someone in each group")
    return Accuracy(
        *cells,
        share_interval(true_positive, p, level=level, method=interval),
        share_interval(true_negative, n, level=level, method=interval),
        _ratio(true_positive, p, false_positive, n, level, zero_cells),
        _ratio(false_negative, p, true_negative, n, level, zero_cells),
    )


def positive_predictive_value(sensitivity: ArrayLike, specificity: ArrayLike, prevalence: ArrayLike) -> Floats:
    """Share of positive decisions that are right at a stated prevalence.

    Parameters
    ----------
    sensitivity, specificity, prevalence : array_like
        [-].

    Returns
    -------
    ndarray
        [-]; NaN where nobody is decided positive.
    """
    se, sp, pi = (np.asarray(v, dtype=np.float64) for v in (sensitivity, specificity, prevalence))
    right, wrong = se * pi, (1 - sp) * (1 - pi)
    made: Floats = np.asarray(
        np.divide(right, right + wrong, out=np.full(np.shape(right + wrong), np.nan), where=right + wrong > 0)
    )
    return made


def negative_predictive_value(sensitivity: ArrayLike, specificity: ArrayLike, prevalence: ArrayLike) -> Floats:
    """Share of negative decisions that are right at a stated prevalence.

    Parameters
    ----------
    sensitivity, specificity, prevalence : array_like
        [-].

    Returns
    -------
    ndarray
        [-]; NaN where nobody is decided negative.
    """
    return positive_predictive_value(specificity, sensitivity, 1 - np.asarray(prevalence, dtype=np.float64))


def predictive_values(
    found: Accuracy, prevalence: float | None = None, *, level: float = 0.95
) -> tuple[Bounded, Bounded]:
    """Positive and negative predictive value at a prevalence.

    Parameters
    ----------
    found : Accuracy
    prevalence : float, optional
        Share of positive people where the decision is to be used [-]; without it the counts are taken as a sample in
        which the shares of both groups are those of the population, with exact binomial intervals.
    level : float
        [-].

    Returns
    -------
    tuple of Bounded
        [-].

    Raises
    ------
    InputError
        If the prevalence is not between 0 and 1.

    Notes
    -----
    With a stated prevalence the interval is the delta method on the logit scale (Mercaldo ND, Lau KF, Zhou XH. Stat Med
    26:2170-2183 (2007), from memory); where a cell is zero it runs between the values at both ends of the exact
    intervals of sensitivity and specificity, made for the root of the level, and is wider than need be.
    """
    if prevalence is None:
        decided, undecided = found.true_positive + found.false_positive, found.false_negative + found.true_negative
        none = "Nobody was decided so."
        return (
            share_interval(found.true_positive, decided, level=level) if decided else Bounded.missing(none, "1"),
            share_interval(found.true_negative, undecided, level=level) if undecided else Bounded.missing(none, "1"),
        )
    if not 0 < prevalence < 1:
        raise InputError("prevalence", got=prevalence, allowed="above 0 and below 1")
    tp, fp, fn, tn = found.true_positive, found.false_positive, found.false_negative, found.true_negative
    return (
        _predictive((tp, fn), (tn, fp), prevalence, level),
        _predictive((tn, fp), (tp, fn), 1 - prevalence, level),
    )


def _predictive(own: tuple[int, int], other: tuple[int, int], prevalence: float, level: float) -> Bounded:
    """Positive predictive value; the negative one is the same with the groups exchanged."""
    from scipy import special

    p, n = sum(own), sum(other)
    se, sp = own[0] / p, other[0] / n
    value = float(positive_predictive_value(se, sp, prevalence))
    if math.isnan(value):
        return Bounded.missing("Nobody was decided so.", "1")
    if 0 < se < 1 and 0 < sp < 1:
        middle = math.log(prevalence / (1 - prevalence) * se / (1 - sp))
        half = float(special.ndtri((1 + level) / 2)) * math.sqrt((1 - se) / (p * se) + sp / (n * (1 - sp)))
        return Bounded(value, float(special.expit(middle - half)), float(special.expit(middle + half)), "1", level)
    each = math.sqrt(level)
    first, second = share_interval(own[0], p, level=each), share_interval(other[0], n, level=each)
    assert first.low is not None
    assert first.high is not None
    assert second.low is not None
    assert second.high is not None
    low = float(positive_predictive_value(first.low, second.low, prevalence))
    high = float(positive_predictive_value(first.high, second.high, prevalence))
    return Bounded(
        value,
        0.0 if math.isnan(low) else min(low, value),
        1.0 if math.isnan(high) else max(high, value),
        "1",
        level,
        "A cell is zero: the interval comes from the ends of two exact intervals and is wide.",
    )


def _ratio(a: float, p: float, b: float, n: float, level: float, zero_cells: ZeroCells) -> Bounded:
    """Ratio of the shares a/p and b/n with the interval of its logarithm."""
    from scipy import special

    why = ""
    if a == 0 or b == 0:
        if zero_cells == "unavailable":
            value = None if b == 0 else 0.0
            said = "No value: a cell of the table is zero." if b == 0 else "A cell of the table is zero: no interval."
            return Bounded(value, unit="1", level=level, why=said)
        a, b, p, n = a + 0.5, b + 0.5, p + 1, n + 1
        why = "One half was added to every cell, because one is zero."
    middle = math.log(a / p) - math.log(b / n)
    half = float(special.ndtri((1 + level) / 2)) * math.sqrt(max(1 / a - 1 / p + 1 / b - 1 / n, 0.0))
    return Bounded(math.exp(middle), math.exp(middle - half), math.exp(middle + half), "1", level, why)
