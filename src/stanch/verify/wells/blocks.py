"""Samples and runs taken out of a layout, so that only wells are left to compare."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError

__all__ = ["Blocks"]

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

DIRECT = 1200
"""Runs (or samples, whichever are fewer) up to which their equations are solved directly [-]."""


class Blocks:
    """Two crossed or nested classes whose effects are eliminated by least squares.

    Parameters
    ----------
    one, two : ndarray of int, shape (cell,)
        Sample and run of every cell.
    """

    def __init__(self, one: Whole, two: Whole) -> None:
        from scipy import sparse
        from scipy.sparse.csgraph import connected_components

        counts = int(one.max()) + 1, int(two.max()) + 1
        # The larger class is eliminated cell by cell, so that the smaller one alone needs a solution.
        self._big, self._small = (one, two) if counts[0] >= counts[1] else (two, one)
        big, small = max(counts), min(counts)
        self._share = 1.0 / np.bincount(self._big, minlength=big)
        ones = np.ones(one.size)
        meets: Any = sparse.csr_matrix((ones, (self._big, self._small)), shape=(big, small))
        graph: Any = sparse.coo_matrix((ones, (self._big, big + self._small)), shape=(big + small, big + small))
        parts = connected_components(graph, directed=False)[0]
        self.rank = big + small - int(parts)
        self._meets = meets
        self._schur: Any = sparse.diags(np.bincount(self._small, minlength=small).astype(np.float64)) - (
            meets.T @ sparse.diags(self._share) @ meets
        )
        self._inverse: Floats | None = None
        if small <= DIRECT:
            self._inverse = np.linalg.pinv(np.asarray(self._schur.todense()), rcond=1e-10, hermitian=True)

    def _solved(self, right: Floats) -> Floats:
        if self._inverse is not None:
            return np.asarray(self._inverse @ right, dtype=np.float64)
        from scipy import sparse
        from scipy.sparse.linalg import cg

        flat = right.reshape(right.shape[0], -1)
        diagonal = self._schur.diagonal()
        weight = sparse.diags(1.0 / np.where(diagonal > 1e-9, diagonal, 1.0))
        columns = []
        for column in flat.T:
            found, failed = cg(self._schur, column, rtol=1e-12, maxiter=10_000, M=weight)
            if failed:
                raise InputError("layout of samples and runs", got="a fit that did not settle", allowed="fewer runs")
            columns.append(found)
        return np.column_stack(columns).reshape(right.shape)

    def swept(self, values: Floats) -> Floats:
        """What is left of values when the means of both classes are taken out.

        Parameters
        ----------
        values : ndarray, shape (cell,)
            [unit].

        Returns
        -------
        ndarray, shape (cell,)
            [unit].
        """
        big = np.bincount(self._big, values, minlength=self._share.size)
        small = np.bincount(self._small, values, minlength=self._meets.shape[1])
        two = self._solved(small - self._meets.T @ (self._share * big))
        one = self._share * (big - self._meets @ two)
        return np.asarray(values - one[self._big] - two[self._small], dtype=np.float64)

    def reduced(self, well: Whole, wells: int, values: Floats) -> tuple[Floats, Floats]:
        """Normal equations of the wells once both classes are free.

        Parameters
        ----------
        well : ndarray of int, shape (cell,)
        wells : int
            How many.
        values : ndarray, shape (cell,)
            [unit].

        Returns
        -------
        tuple of ndarray, shape (well, well) and (well,)
            Matrix [-] and right side [unit].
        """
        from scipy import sparse

        ones = np.ones(well.size)
        big: Any = sparse.csr_matrix((ones, (self._big, well)), shape=(self._share.size, wells))
        small: Any = sparse.csr_matrix((ones, (self._small, well)), shape=(self._meets.shape[1], wells))
        shared: Any = sparse.diags(self._share) @ big
        rest = np.asarray((small - self._meets.T @ shared).todense())
        solved = self._solved(rest)
        gram = np.diag(np.bincount(well, minlength=wells).astype(np.float64))
        gram = gram - np.asarray((big.T @ shared).todense()) - rest.T @ solved
        side = np.bincount(well, self.swept(values), minlength=wells).astype(np.float64)
        return np.asarray(gram, dtype=np.float64), side
