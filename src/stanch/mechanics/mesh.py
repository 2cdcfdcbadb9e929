"""Graded knots and the spline spaces on them, in one dimension."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError

__all__ = ["SplineSpace", "axial_knots", "graded_knots", "radial_knots"]

Floats = NDArray[np.float64]

MOST_INTERVALS = 600
"""Intervals in one direction beyond which a mesh would not be worth its time and memory."""

DEGREE = 5
"""Degree of the splines; derivatives are continuous up to the fourth."""

RADIAL_SPACING, AXIAL_SPACING = 1.0e-4, 1.5e-4
"""Largest knot spacings [m]: the shortest shear waves and viscous layers of blood and clot within the first
milliseconds, not only the push, set what must be resolved."""

WALL_SPACING = 0.1
"""Knot spacing at a wall over the spacing in the middle [-]; a focus near the base needs it."""

WALL_GROWTH = 0.25
"""Increase of the knot spacing per distance from a wall [-]."""


def graded_knots(length: float, spacing: float, walls: tuple[bool, bool]) -> Floats:
    """Divide [0, length] into intervals of about `spacing`, finer towards walls.

    Parameters
    ----------
    length : float
        [m].
    spacing : float
        Largest interval [m].
    walls : tuple of bool
        Whether to refine towards 0 and towards `length`.

    Returns
    -------
    ndarray, shape (knot,)
        Ascending, from 0 to `length` [m].

    Raises
    ------
    InputError
        If that takes more than 600 intervals.
    """
    x = np.linspace(0.0, length, 2001)
    finest = WALL_SPACING * spacing
    wanted = np.full_like(x, spacing)
    for at_wall, distance in zip(walls, (x, length - x), strict=True):
        if at_wall:
            wanted = np.minimum(wanted, finest + WALL_GROWTH * distance)
    density = 1.0 / wanted
    count = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(x))])
    if not count[-1] <= MOST_INTERVALS:
        raise InputError(
            "well and push",
            got=f"{length * 1e3:g} mm in steps of {spacing * 1e3:g} mm",
            allowed=f"at most {MOST_INTERVALS} steps",
            do="Check the units of well_radius, well_depth, push_radius and push_length.",
        )
    intervals = max(4, math.ceil(count[-1]))
    knots: Floats = np.interp(np.linspace(0.0, count[-1], intervals + 1), count, x)
    knots[0], knots[-1] = 0.0, length
    return knots


def radial_knots(radius: float, push_radius: float, refinement: float = 1.0) -> Floats:
    """Knots from the axis to the wall for a force of radius `push_radius` [m]."""
    return graded_knots(radius, min(0.5 * push_radius, RADIAL_SPACING, radius / 8) / refinement, (False, True))


def axial_knots(depth: float, push_radius: float, push_length: float, refinement: float = 1.0) -> Floats:
    """Knots from the base to the top for a force of these dimensions [m]."""
    return graded_knots(depth, min(push_radius, push_length / 4, AXIAL_SPACING, depth / 10) / refinement, (True, True))


@dataclass(frozen=True)
class SplineSpace:
    """Splines on given knots, some left out at either end to meet boundary conditions.

    Parameters
    ----------
    knots : ndarray, shape (knot,)
        Interval ends [m].
    drop : tuple of int
        Splines left out at the start and at the end: 1 makes the value zero there, 2 the slope as well.
    degree : int
        [-].
    """

    knots: Floats
    drop: tuple[int, int]
    degree: int = DEGREE

    @property
    def size(self) -> int:
        """Number of splines kept."""
        return int(self.knots.size) - 1 + self.degree - sum(self.drop)

    def values(self, x: Floats, derivative: int = 0) -> Floats:
        """Splines or their derivatives at points.

        Parameters
        ----------
        x : ndarray, shape (point,)
            Inside the knots [m].
        derivative : int
            0 to `degree`.

        Returns
        -------
        ndarray, shape (point, spline)
            To the power -`derivative` of [m].
        """
        full = self.size + sum(self.drop)
        t = np.concatenate([np.full(self.degree, self.knots[0]), self.knots, np.full(self.degree, self.knots[-1])])
        low = self.degree - derivative
        # Degree 0: in which interval a point lies; the last one takes its right end.
        cell = np.clip(np.searchsorted(self.knots, x, side="right") - 1, 0, self.knots.size - 2) + self.degree
        table: Floats = np.zeros((x.size, t.size - 1))
        table[np.arange(x.size), cell] = 1.0
        for k in range(1, low + 1):
            rise, fall = _reciprocal(t[k:-1] - t[: -k - 1]), _reciprocal(t[k + 1 :] - t[1:-k])
            up, down = (x[:, None] - t[: -k - 1]) * rise, (t[k + 1 :] - x[:, None]) * fall
            table = up * table[:, :-1] + down * table[:, 1:]
        for k in range(low + 1, self.degree + 1):
            rise, fall = _reciprocal(t[k:-1] - t[: -k - 1]), _reciprocal(t[k + 1 :] - t[1:-k])
            table = k * (rise * table[:, :-1] - fall * table[:, 1:])
        return table[:, self.drop[0] : full - self.drop[1]]

    def quadrature(self) -> tuple[Floats, Floats]:
        """Gauss points and weights, degree + 3 in every interval; both of shape (point,) [m]."""
        node, weight = np.polynomial.legendre.leggauss(self.degree + 3)
        half = 0.5 * np.diff(self.knots)[:, None]
        middle = 0.5 * (self.knots[1:] + self.knots[:-1])[:, None]
        return (middle + half * node).ravel(), (half * weight).ravel()


def _reciprocal(x: Floats) -> Floats:
    """1/x, and 0 for 0: what the spline recursion asks of repeated knots."""
    return np.divide(1.0, x, out=np.zeros_like(x), where=x > 0)
