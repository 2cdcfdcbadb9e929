"""Means and squares within groups, free of the rounding that would pass for scatter among equal results."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.groups import about_means
from stanch.verify.intervals import checked

__all__ = ["GroupScatter", "group_scatter"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class GroupScatter:
    """Results by group.

    Parameters
    ----------
    names : ndarray of str, shape (group,)
    n : ndarray of int, shape (group,)
    mean : ndarray, shape (group,)
        [unit].
    squares : ndarray, shape (group,)
        Sum of squares about the mean [unit], squared.
    """

    names: NDArray[np.str_]
    n: NDArray[np.intp]
    mean: Floats
    squares: Floats

    @property
    def degrees(self) -> int:
        """Results minus groups."""
        return int(self.n.sum() - self.n.size)

    @property
    def sd(self) -> Floats:
        """Standard deviation of each group [unit]; zero for a single result."""
        return np.asarray(np.sqrt(self.squares / np.maximum(self.n - 1, 1)), dtype=np.float64)


def group_scatter(values: ArrayLike, groups: ArrayLike | None = None) -> GroupScatter:
    """Gather results by group.

    Parameters
    ----------
    values : array_like, shape (result,)
        [unit].
    groups : array_like, shape (result,), optional
        Names or whole numbers [-]; one group when left out.

    Returns
    -------
    GroupScatter
    """
    x = checked(values, "results")
    given = np.zeros(x.size, dtype=int) if groups is None else np.asarray(groups)
    if given.size != x.size:
        raise InputError("groups of results", got=f"{given.size} names", allowed=f"{x.size}")
    names, which, n = np.unique(given, return_inverse=True, return_counts=True)
    mean, away = about_means(x, which, n)
    squares = np.asarray(np.bincount(which, weights=away * away), dtype=np.float64)
    return GroupScatter(names.astype(np.str_), n.astype(np.intp), mean, squares)
