"""Sums of concentrations that no reaction changes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

__all__ = ["left_null_space"]

Floats = NDArray[np.float64]


def left_null_space(matrix: NDArray[np.int64]) -> Floats:
    """Basis of all x with x @ matrix = 0, in smallest whole numbers.

    Parameters
    ----------
    matrix : ndarray of int, shape (rows, columns)
        Stoichiometry of a network [-].

    Returns
    -------
    ndarray, shape (sums, rows)
        By elimination in exact fractions [-].
    """
    rows = [[Fraction(int(v)) for v in column] for column in matrix.T]
    pivots: list[int] = []
    for column in range(matrix.shape[0]):
        top = len(pivots)
        found = next((i for i in range(top, len(rows)) if rows[i][column]), None)
        if found is None:
            continue
        rows[top], rows[found] = rows[found], rows[top]
        head = rows[top][column]
        rows[top] = [v / head for v in rows[top]]
        for i in range(len(rows)):
            if i != top and rows[i][column]:
                factor = rows[i][column]
                rows[i] = [a - factor * b for a, b in zip(rows[i], rows[top], strict=True)]
        pivots.append(column)
    free = [c for c in range(matrix.shape[0]) if c not in pivots]
    return np.array([_whole(_solution(rows, pivots, c, matrix.shape[0])) for c in free]).reshape(-1, matrix.shape[0])


def _solution(rows: list[list[Fraction]], pivots: list[int], free: int, size: int) -> list[Fraction]:
    out = [Fraction(0)] * size
    out[free] = Fraction(1)
    for row, pivot in enumerate(pivots):
        out[pivot] = -rows[row][free]
    return out


def _whole(values: Iterable[Fraction]) -> list[float]:
    kept = list(values)
    multiple = math.lcm(*(v.denominator for v in kept))
    numbers = [int(v * multiple) for v in kept]
    divisor = math.gcd(*numbers)
    return [float(v // divisor) for v in numbers]
