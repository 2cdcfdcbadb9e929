"""Names of days, runs, wells and operators turned into a nested or crossed structure of whole numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["Cells", "Nesting", "codes", "crossing", "nesting"]

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]


def codes(names: ArrayLike) -> Whole:
    """Names as whole numbers from 0 in sorted order.

    Parameters
    ----------
    names : array_like of str, shape (row,)
        Text or whole numbers.

    Returns
    -------
    ndarray of int, shape (row,)
    """
    array = np.asarray(names)
    if array.dtype.kind == "O":
        array = array.astype(np.str_)
    if array.dtype.kind == "U" and 0 < array.dtype.itemsize <= 8:
        # One or two letters sort as a single number, many times faster than as text.
        array = np.ascontiguousarray(array).view(np.uint32 if array.dtype.itemsize == 4 else np.uint64)
    return np.unique(array, return_inverse=True)[1].reshape(-1)


@dataclass(frozen=True)
class Nesting:
    """Groups within groups, outermost first, as contiguous stretches of one sorted list of cells.

    Parameters
    ----------
    factors : tuple of str
        Names of the factors, outermost first.
    order : ndarray of int, shape (row,)
        Rows sorted so that every group is contiguous.
    first_row : ndarray of int, shape (cell,)
        Where each innermost group starts in that order.
    counts : tuple of ndarray of int
        Results in each group, by level: level 0 is all results, level k the groups of factor k.
    first_cell : tuple of ndarray of int
        First cell of each group, by level.
    parents : tuple of ndarray of int
        Group of the level above that each group lies in, by level from 1.
    cell_group : tuple of ndarray of int
        Group of each cell, by level.
    """

    factors: tuple[str, ...]
    order: Whole
    first_row: Whole
    counts: tuple[Whole, ...]
    first_cell: tuple[Whole, ...]
    parents: tuple[Whole, ...]
    cell_group: tuple[Whole, ...]

    @property
    def rows(self) -> int:
        """Results."""
        return int(self.counts[0][0])

    @property
    def groups(self) -> tuple[int, ...]:
        """Groups of each factor, outermost first."""
        return tuple(int(c.size) for c in self.counts[1:])

    @property
    def balanced(self) -> bool:
        """Whether every group of a level holds as many groups and results as every other."""
        for level in range(1, len(self.counts)):
            children = np.bincount(self.parents[level - 1])
            if (children != children[0]).any() or (self.counts[level] != self.counts[level][0]).any():
                return False
        return True

    def cell_sums(self, values: Floats) -> Floats:
        """Sums within the innermost groups of values in the order of the table [unit]."""
        return np.asarray(np.add.reduceat(values[self.order], self.first_row), dtype=np.float64)

    def sums(self, by_cell: Floats, level: int) -> Floats:
        """Sums over the groups of a level of something known by cell [unit]."""
        return np.asarray(np.add.reduceat(by_cell, self.first_cell[level]), dtype=np.float64)


def nesting(factors: Mapping[str, ArrayLike], rows: int) -> Nesting:
    """Read a nested design from its columns.

    Parameters
    ----------
    factors : mapping of str to array_like of str, shape (row,)
        Outermost first; none for plain replicates. Equal names in different outer groups are different groups.
    rows : int
        Results there are.

    Returns
    -------
    Nesting

    Raises
    ------
    InputError
        If a column has another length, or a factor cannot be told from the one around it or from the results.
    """
    combined: Whole = np.zeros(rows, dtype=np.intp)
    levels: list[Whole] = [combined]
    for name, column in factors.items():
        own = codes(column)
        if own.size != rows:
            raise InputError(f"factor {name}", got=f"{own.size} names", allowed=f"{rows}, one for each result")
        combined = codes(combined * (int(own.max()) + 1) + own)
        levels.append(combined)
    order = np.argsort(combined, kind="stable")
    ordered = [level[order] for level in levels]
    edge = np.flatnonzero(np.diff(ordered[-1], prepend=-1))
    by_cell = [level[edge] for level in ordered]
    first_cell = tuple(np.flatnonzero(np.diff(level, prepend=-1)) for level in by_cell)
    counts = tuple(np.bincount(level) for level in ordered)
    parents = tuple(by_cell[k][first_cell[k + 1]] for k in range(len(by_cell) - 1))
    made = Nesting(tuple(factors), order, edge, counts, first_cell, parents, tuple(by_cell))
    _refuse_confounded(made)
    return made


def _refuse_confounded(made: Nesting) -> None:
    outer, around = 1, "the whole table"
    for name, groups in zip(made.factors, made.groups, strict=True):
        if groups == outer:
            raise InputError(
                f"factor {name}",
                got=f"one group within each of {around}",
                allowed="at least one outer group with two or more",
                do="Leave this factor out: its variation cannot be told from the one around it.",
            )
        outer, around = groups, f"the {groups} groups of {name}"
    if outer == made.rows:
        raise InputError(
            f"factor {made.factors[-1]}",
            got="one result in each of its groups",
            allowed="repeated results in at least one group",
            do="Leave it out: it numbers the replicates, and their variation is the repeatability.",
        )


@dataclass(frozen=True)
class Cells:
    """Two crossed factors: the combinations that hold results.

    Parameters
    ----------
    factors : tuple of str
        The two names.
    order : ndarray of int, shape (row,)
        Rows sorted by combination.
    first_row : ndarray of int, shape (cell,)
        Where each combination starts in that order.
    n : ndarray of int, shape (cell,)
        Results in each.
    a, b : ndarray of int, shape (cell,)
        Group of the first and the second factor.
    n_a, n_b : ndarray of int
        Results in each group of the first and the second factor.
    """

    factors: tuple[str, str]
    order: Whole
    first_row: Whole
    n: Whole
    a: Whole
    b: Whole
    n_a: Whole
    n_b: Whole

    @property
    def rows(self) -> int:
        """Results."""
        return int(self.n.sum())

    @property
    def balanced(self) -> bool:
        """Whether every combination holds the same number of results."""
        return bool(self.n.size == self.n_a.size * self.n_b.size and (self.n == self.n[0]).all())

    def cell_sums(self, values: Floats) -> Floats:
        """Sums within the combinations of values in the order of the table [unit]."""
        return np.asarray(np.add.reduceat(values[self.order], self.first_row), dtype=np.float64)


def crossing(factors: Mapping[str, ArrayLike], rows: int) -> Cells:
    """Read a crossed design of two factors from its columns.

    Parameters
    ----------
    factors : mapping of str to array_like of str, shape (row,)
        Exactly two.
    rows : int
        Results there are.

    Returns
    -------
    Cells

    Raises
    ------
    InputError
        If there are not two factors, a column has another length, or a factor has a single group.
    """
    if len(factors) != 2:
        raise InputError("crossed factors", got=len(factors), allowed="two", do="Use a nested design for more.")
    (first, second) = factors
    a, b = codes(factors[first]), codes(factors[second])
    for name, own in ((first, a), (second, b)):
        if own.size != rows:
            raise InputError(f"factor {name}", got=f"{own.size} names", allowed=f"{rows}, one for each result")
        if int(own.max()) == 0:
            raise InputError(f"factor {name}", got="one group", allowed="two or more", do="Leave it out.")
    wide = int(b.max()) + 1
    cell = codes(a * wide + b)
    order = np.argsort(cell, kind="stable")
    edge = np.flatnonzero(np.diff(cell[order], prepend=-1))
    if edge.size == max(int(a.max()), int(b.max())) + 1:
        raise InputError(
            f"factors {first} and {second}",
            got="each group of one meets a single group of the other",
            allowed="crossed factors",
            do="Use the nested design.",
        )
    return Cells(
        (first, second),
        order,
        edge,
        np.bincount(cell),
        a[order][edge],
        b[order][edge],
        np.bincount(a),
        np.bincount(b),
    )
