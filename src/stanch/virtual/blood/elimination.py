"""The order in which a network's species are eliminated, and the index arrays of its sparse factorisation.

A reaction touches few species, so the matrix of a step, ``I/(h gamma) - J``, is nearly empty. Which entries it has
never changes: the order of elimination, the entries that fill in and the place that each product goes to are worked out
once for a network, and the compiled solver only follows the lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stanch.virtual.blood.network import Network

__all__ = ["Lists", "Pattern", "lists", "pattern"]

Indices = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Pattern:
    """The filled pattern of a matrix in the order of elimination.

    Parameters
    ----------
    order : ndarray, shape (size,)
        Row that is eliminated first, second and so on [-].
    starts, columns, diagonal : ndarray
        Rows of the filled matrix in that order: where each begins, its columns, where its diagonal entry is [-].
    targets : ndarray
        Place that each product of the factorisation is taken from, in the order in which they are formed [-].
    """

    order: Indices
    starts: Indices
    columns: Indices
    diagonal: Indices
    targets: Indices


class Lists(NamedTuple):
    """What the compiled solver follows; species are numbered in the order of elimination."""

    order: Indices
    starts: Indices
    columns: Indices
    diagonal: Indices
    targets: Indices
    first: Indices
    """First reactant of each step."""
    second: Indices
    """Second reactant, or one past the last species, where a 1 is held."""
    change_starts: Indices
    """Where the steps that change each species begin in the next two."""
    change_steps: Indices
    change_sizes: Floats
    slope_starts: Indices
    """Where the terms of each entry of the filled Jacobian begin in the next two."""
    slope_slots: Indices
    """Twice the step, plus 1 for the derivative after the second reactant."""
    slope_sizes: Floats


def pattern(filled: NDArray[np.bool_]) -> Pattern:
    """Choose the order of elimination and find what fills in.

    Parameters
    ----------
    filled : ndarray of bool, shape (size, size)
        Where the matrix has entries; its diagonal is taken to be full.

    Returns
    -------
    Pattern
        By least product of off-diagonal counts among the diagonal pivots left.

    Notes
    -----
    The rule is that of Markowitz, 1957, Management Science 3:255, here restricted to the diagonal.
    """
    size = len(filled)
    work = filled | np.eye(size, dtype=bool)
    left = np.ones(size, dtype=bool)
    order = []
    for _ in range(size):
        inner = work & left[:, None] & left[None, :]
        cost = (inner.sum(0) - 1) * (inner.sum(1) - 1)
        pick = int(np.argmin(np.where(left, cost, np.iinfo(np.int64).max)))
        left[pick] = False
        work |= np.outer(work[:, pick] & left, work[pick] & left)
        order.append(pick)
    sorted_work = work[np.ix_(order, order)]
    rows = [np.flatnonzero(row) for row in sorted_work]
    starts = np.concatenate([[0], np.cumsum([len(row) for row in rows])])
    places = np.full((size, size), -1, dtype=np.int64)
    for i, row in enumerate(rows):
        places[i, row] = starts[i] + np.arange(len(row))
    targets = [places[i, j] for i, row in enumerate(rows) for k in row[row < i] for j in rows[k][rows[k] > k]]
    return Pattern(
        order=np.array(order, dtype=np.int64),
        starts=starts.astype(np.int64),
        columns=np.concatenate(rows).astype(np.int64),
        diagonal=places.diagonal().copy(),
        targets=np.array(targets, dtype=np.int64),
    )


@lru_cache(maxsize=32)
def lists(network: Network) -> Lists:
    """Index arrays of a network for the compiled solver.

    Parameters
    ----------
    network : Network
        Any.

    Returns
    -------
    Lists
        Kept for the networks used last.
    """
    n = len(network.species)
    n_steps = len(network.steps)
    touches = np.zeros((n_steps, n + 1), dtype=bool)
    for column in (0, 1):
        touches[np.arange(n_steps), network.partners[:, column]] = True
    changes = network.stoichiometry
    found = pattern((changes != 0).astype(np.int64) @ touches[:, :n].astype(np.int64) > 0)
    new = np.empty(n + 1, dtype=np.int64)
    new[found.order] = np.arange(n)
    new[n] = n
    partners = new[network.partners]
    per_species = [np.flatnonzero(changes[old]) for old in found.order]
    terms: list[list[tuple[int, float]]] = [[] for _ in found.columns]
    for row, old in enumerate(found.order):
        own = slice(found.starts[row], found.starts[row + 1])
        place = dict(zip(found.columns[own].tolist(), range(own.start, own.stop), strict=True))
        for step in per_species[row]:
            for which in (0, 1):
                column = int(partners[step, which])
                if column < n:
                    terms[place[column]].append((2 * int(step) + which, float(changes[old, step])))
    return Lists(
        found.order,
        found.starts,
        found.columns,
        found.diagonal,
        found.targets,
        partners[:, 0].copy(),
        partners[:, 1].copy(),
        _starts([len(p) for p in per_species]),
        np.concatenate(per_species).astype(np.int64),
        np.concatenate([changes[old, p] for old, p in zip(found.order, per_species, strict=True)]).astype(float),
        _starts([len(t) for t in terms]),
        np.array([slot for t in terms for slot, _ in t], dtype=np.int64),
        np.array([size for t in terms for _, size in t]),
    )


def _starts(lengths: list[int]) -> Indices:
    return np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
