"""Readings gathered by level, and their weights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.groups import about_means
from stanch.verify.intervals import checked

__all__ = ["Levels", "gather"]

Floats = NDArray[np.float64]
Weighting = Literal["equal", "by level", "proportional"]


@dataclass(frozen=True)
class Levels:
    """What a linearity study needs to know of its readings; nothing is lost by it for polynomials in the level.

    Parameters
    ----------
    x : ndarray, shape (level,)
        Levels, ascending [unit].
    n : ndarray of int, shape (level,)
        Readings of each.
    mean, sd : ndarray, shape (level,)
        Of the readings [unit]; `sd` is zero for a single reading.
    mass : ndarray, shape (level,)
        Sum of weights [-].
    within : float
        Weighted sum of squares of the readings about their level means [unit], squared.
    """

    x: Floats
    n: NDArray[np.intp]
    mean: Floats
    sd: Floats
    mass: Floats
    within: float

    @property
    def readings(self) -> int:
        """How many in all."""
        return int(self.n.sum())

    @property
    def df(self) -> int:
        """Degrees of freedom of the repeated readings."""
        return int(self.n.sum() - self.n.size)

    def run(self, first: int, last: int) -> Levels:
        """The levels from `first` to `last`, both included."""
        part = slice(first, last + 1)
        kept = (self.mass[part] / self.n[part] * np.maximum(self.n[part] - 1, 0) * self.sd[part] ** 2).sum()
        return Levels(self.x[part], self.n[part], self.mean[part], self.sd[part], self.mass[part], float(kept))


def gather(x: ArrayLike, y: ArrayLike, *, weights: Weighting = "equal") -> Levels:
    """Readings by level.

    Parameters
    ----------
    x, y : array_like, shape (reading,)
        Level and result [unit].
    weights : str
        ``equal``; ``by level``, the inverse variance of each level's own readings; ``proportional``, the inverse square
        of the level's mean result, for a constant coefficient of variation.

    Returns
    -------
    Levels

    Raises
    ------
    InputError
        If the weights cannot be had from these readings.
    """
    xs, ys = checked(x, "levels", least=3), checked(y, "results", least=3)
    if xs.size != ys.size:
        raise InputError("levels and results", got=f"{xs.size} and {ys.size} values", allowed="as many of each")
    at, which, n = np.unique(xs, return_inverse=True, return_counts=True)
    if at.size < 3:
        raise InputError("levels", got=f"{at.size} different", allowed="at least 3")
    mean, inside = about_means(ys, which, n)
    size = float(np.abs(inside).max()) or 1.0
    squares = np.bincount(which, weights=(inside / size) ** 2)
    sd = np.sqrt(squares / np.maximum(n - 1, 1)) * size
    each = _weight(weights, at, n, mean, sd)
    return Levels(at, n, mean, sd, each * n, float((each * squares).sum()) * size**2)


def _weight(how: Weighting, x: Floats, n: NDArray[np.intp], mean: Floats, sd: Floats) -> Floats:
    if how == "equal":
        return np.ones(x.size)
    if how == "by level":
        if (n < 2).any() or (sd <= 0).any():
            where = float(x[int(np.flatnonzero((n < 2) | (sd <= 0))[0])])
            raise InputError(
                f"weights by level at level {where:g}",
                got="readings without scatter",
                allowed="at least two different readings at every level",
                do="Use equal or proportional weights.",
            )
        base = float(np.exp(np.mean(np.log(sd))))
        return np.asarray((base / sd) ** 2)
    if how == "proportional":
        if (mean <= 0).any():
            where = float(x[int(np.flatnonzero(mean <= 0)[0])])
            raise InputError(
                f"proportional weights at level {where:g}",
                got=f"a mean of {float(mean[mean <= 0][0]):g}",
                allowed="means above zero",
                do="Leave that level out or use other weights.",
            )
        base = float(np.exp(np.mean(np.log(mean))))
        return np.asarray((base / mean) ** 2)
    raise InputError("weights", got=how, allowed="equal, by level, proportional")
