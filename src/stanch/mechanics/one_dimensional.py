"""Spectral tables of wells and pushes so long that the movement depends on the radius alone.

Two rival assumptions side by side, both with no slip on the wall: `free_wall_table` lets blood pass every cross-section
freely, `zero_flux_table` lets none pass, as in a long closed well. Real wells are neither; use them for comparison.
"""

from __future__ import annotations

import hashlib
from dataclasses import astuple

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.mechanics.records import BEAM_ORDERS, SpectralTable
from stanch.mechanics.stokes import beam_nodes
from stanch.mechanics.table import default_depth
from stanch.recording.records import Geometry

__all__ = ["free_wall_table", "static_movement", "zero_flux_table"]

Floats = NDArray[np.float64]


def free_wall_table(geometry: Geometry, *, depth: Floats | None = None, rows: int = 60) -> SpectralTable:
    """Modes J0(kr) with J0(kR) = 0: an open tube, any flux.

    Parameters
    ----------
    geometry : Geometry
        Only the radii of well, push and beam are used.
    depth : ndarray, shape (depth,), optional
        Beam positions [m], all alike; by default those of the well.
    rows : int
        The last one carries what is left of the static response [-].

    Returns
    -------
    SpectralTable
    """
    return _table(geometry, depth, rows, closed=False)


def zero_flux_table(geometry: Geometry, *, depth: Floats | None = None, rows: int = 60) -> SpectralTable:
    """Modes J0(kr) - J0(kR) with J2(kR) = 0: the middle of a long closed well, no net flux.

    Parameters
    ----------
    geometry : Geometry
        Only the radii of well, push and beam are used.
    depth : ndarray, shape (depth,), optional
        Beam positions [m], all alike; by default those of the well.
    rows : int
        The last one carries what is left of the static response [-].

    Returns
    -------
    SpectralTable

    Notes
    -----
    The constant is the pressure gradient's; zero flux demands 2 J1(kR) = kR J0(kR), that is J2(kR) = 0.
    """
    return _table(geometry, depth, rows, closed=True)


def static_movement(radius: Floats, well_radius: float, push_radius: float, *, closed: bool) -> Floats:
    """Steady movement under the unit force exp(-r^2/a^2), times G.

    Parameters
    ----------
    radius : ndarray, shape (point,)
        [m].
    well_radius, push_radius : float
        [m].
    closed : bool
        Whether the net flux is zero.

    Returns
    -------
    ndarray, shape (point,)
        [m^2].
    """
    from scipy.special import exp1

    def grown(x: Floats) -> Floats:
        """Integral of (1 - exp(-s))/s from 0 to x; the series where the closed form cancels."""
        safe = np.maximum(x, 1e-3)
        series = x - x**2 / 4.0 + x**3 / 18.0 - x**4 / 96.0
        return np.where(x < 1e-3, series, exp1(safe) + np.log(safe) + np.euler_gamma)

    a2 = push_radius**2
    rim = float(grown(np.array([well_radius**2 / a2]))[0])
    movement: Floats = 0.25 * a2 * (rim - grown(radius**2 / a2))
    if closed:
        reach = well_radius**2 / a2
        # Q = 1/4 Int exp(-r^2/a^2) (R^2 - r^2) r dr, in closed form.
        flux = a2**2 / 8.0 * (reach - 1.0 + np.exp(-reach))
        movement -= 4.0 * flux / well_radius**4 * (well_radius**2 - radius**2)
    return movement


def _table(geometry: Geometry, depth: Floats | None, rows: int, *, closed: bool) -> SpectralTable:
    from scipy.special import j0, j1, jn_zeros

    if rows < 2:
        raise InputError("rows", got=rows, allowed="2 or more")
    depth = default_depth(geometry) if depth is None else np.asarray(depth, dtype=np.float64)
    radius, push = geometry.well_radius, geometry.push_radius
    zeros = jn_zeros(2 if closed else 0, rows)
    k = zeros / radius
    rim = j0(zeros) if closed else np.zeros(rows)
    r, weight = _panels(radius, min(push, radius / rows))
    profile = np.exp(-((r / push) ** 2)) * r * weight
    load = profile @ (j0(np.outer(r, k)) - rim)
    force = 2.0 * load / (radius * j1(zeros)) ** 2
    beams, static = [], []
    for order in range(BEAM_ORDERS):
        rb, wb = beam_nodes(geometry.beam_radius, radius, order)
        beams.append(wb @ (j0(np.outer(rb, k)) - rim))
        static.append(float(wb @ static_movement(rb, radius, push, closed=closed)))
    eigenvalue = k**2
    beam = np.stack(beams)
    # The last row stands for all the rows beyond: slow enough alike (time constant eta/G), so their sum is what counts.
    rest = np.array(static) - (beam[:, :-1] * force[:-1] / eigenvalue[:-1]).sum(axis=1)
    force[-1] = 1.0
    beam[:, -1] = rest * eigenvalue[-1]
    name = "zero flux" if closed else "free wall"
    key = hashlib.sha256(repr((name, rows, astuple(geometry))).encode() + depth.tobytes()).hexdigest()
    spread = np.repeat(beam[:, :, None], depth.size, axis=2)
    return SpectralTable(np.asarray(eigenvalue), np.asarray(force), depth, spread, geometry, key)


def _panels(radius: float, width: float) -> tuple[Floats, Floats]:
    """Gauss points and weights on equal panels from 0 to `radius`."""
    node, weight = np.polynomial.legendre.leggauss(12)
    edges = np.linspace(0.0, radius, max(4, int(np.ceil(radius / width))) + 1)
    half = 0.5 * np.diff(edges)[:, None]
    return (0.5 * (edges[1:] + edges[:-1])[:, None] + half * node).ravel(), (half * weight).ravel()
