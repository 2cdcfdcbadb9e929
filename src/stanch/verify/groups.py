"""Results by group: places of names, and deviations from group means without the rounding of large levels."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.scales import grouped
from stanch.verify.table import Taken

__all__ = ["about_means", "named_groups", "ordered", "places"]

Floats = NDArray[np.float64]


def places(names: ArrayLike | None, size: int = 0) -> NDArray[np.intp]:
    """The number of each row's name among the distinct ones in sorted order; all 0 where there are no names.

    Parameters
    ----------
    names : array_like of str, shape (n,), optional
    size : int
        Rows, where there are no names.

    Returns
    -------
    ndarray of int, shape (n,)
    """
    if names is None:
        return np.zeros(size, dtype=np.intp)
    return np.unique(np.asarray(names), return_inverse=True)[1].reshape(-1)


def named_groups(
    taken: Taken, column: str | None, *, alone: str = "all", most: int | None = None, noun: str = "groups"
) -> tuple[NDArray[np.str_], NDArray[np.intp]]:
    """The groups that a column names, in their order of first appearance; one group where there is no column.

    Parameters
    ----------
    taken : Taken
    column : str or None
    alone : str
        Name of the one group.
    most : int, optional
        How many there may be.
    noun : str
        What they are, for the message.

    Returns
    -------
    names : ndarray of str, shape (group,)
    place : ndarray of int, shape (row,)
        Group of each row.

    Raises
    ------
    InputError
        If there are too many.
    """
    if not column:
        return np.array([alone]), np.zeros(taken.row.size, dtype=np.intp)
    names, place = grouped(taken.labels[column])
    if most is not None and names.size > most:
        raise InputError(f"column {column}", got=f"{names.size} {noun}", allowed=f"at most {most}")
    return names, place


def ordered(labels: ArrayLike) -> tuple[NDArray[np.str_], NDArray[np.intp]]:
    """Distinct names, by size where all of them are numbers and else in their order of first appearance.

    Parameters
    ----------
    labels : array_like of str or number, shape (n,)

    Returns
    -------
    ndarray of str, shape (group,)
    ndarray of int, shape (n,)
        Group of each row.

    Examples
    --------
    >>> ordered(["10", "5", "10"])[0].tolist()
    ['5', '10']
    >>> ordered(["low", "high", "low"])[0].tolist()
    ['low', 'high']
    """
    names, place = grouped(np.asarray(labels).astype(np.str_))
    try:
        size = names.astype(np.float64)
    except ValueError:
        return names, place
    order = np.argsort(size, kind="stable")
    rank = np.empty(order.size, dtype=np.intp)
    rank[order] = np.arange(order.size)
    return names[order], rank[place]


def about_means(values: Floats, which: NDArray[np.intp], count: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Mean of each group, and every value less that of its group.

    Parameters
    ----------
    values : ndarray, shape (n,)
        [unit].
    which : ndarray of int, shape (n,)
        Group of each, from 0.
    count : ndarray of int, shape (group,)
        Values in each.

    Returns
    -------
    mean : ndarray, shape (group,)
        [unit].
    away : ndarray, shape (n,)
        Zero where only the rounding of the mean would be left [unit].
    """
    shift = np.bincount(which, weights=values) / count
    # The second pass takes out the rounding of the first sum, which would pass for scatter among equal readings.
    mean = np.asarray(shift + np.bincount(which, weights=values - shift[which]) / count, dtype=np.float64)
    away = values - mean[which]
    away[np.abs(away) <= 8 * np.finfo(np.float64).eps * np.abs(mean[which])] = 0.0
    return mean, away
