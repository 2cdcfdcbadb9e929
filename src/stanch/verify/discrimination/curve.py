"""The receiver operating characteristic: one corner per distinct reading, exact with ties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.verify.discrimination.marks import Floats, Marks
from stanch.verify.intervals import score_ends

__all__ = ["Curve", "curve", "sensitivity_band"]


@dataclass(frozen=True)
class Curve:
    """Counts at every cut between distinct readings.

    Parameters
    ----------
    true_positive, false_positive : ndarray of int, shape (cut,)
        People at or beyond each cut; the first cut is beyond every reading, the last takes in all.
    positives, negatives : int
        People in each group.
    level : ndarray of int, shape (cut,)
        Place among the levels of the least positive reading that still counts as positive; one past the last level
        for the first cut.
    """

    true_positive: NDArray[np.int64]
    false_positive: NDArray[np.int64]
    positives: int
    negatives: int
    level: NDArray[np.intp]

    @property
    def sensitivity(self) -> Floats:
        """Share of the positive group beyond each cut [-]."""
        return self.true_positive / self.positives

    @property
    def specificity(self) -> Floats:
        """Share of the negative group not beyond each cut [-]."""
        return 1 - self.false_positive / self.negatives


def curve(found: Marks) -> Curve:
    """Every point of the receiver operating characteristic.

    Parameters
    ----------
    found : Marks

    Returns
    -------
    Curve
    """
    levels = int(found.levels.size)
    positive = np.bincount(found.positive, minlength=levels)[::-1]
    negative = np.bincount(found.negative, minlength=levels)[::-1]
    return Curve(
        np.concatenate(([0], np.cumsum(positive))).astype(np.int64),
        np.concatenate(([0], np.cumsum(negative))).astype(np.int64),
        int(found.positive.size),
        int(found.negative.size),
        np.arange(levels, -1, -1),
    )


def sensitivity_band(points: Curve, *, level: float = 0.95) -> tuple[Floats, Floats]:
    """Score interval of the sensitivity at each cut, cut by cut.

    Parameters
    ----------
    points : Curve
    level : float
        Of each cut by itself, not of the whole curve [-].

    Returns
    -------
    tuple of ndarray, shape (cut,)
        Ends [-].
    """
    return score_ends(points.sensitivity, points.positives, level)
