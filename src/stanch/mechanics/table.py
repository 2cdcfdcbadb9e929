"""The spectral table of a well: what its geometry does to a push.

With one modulus G and one viscosity eta the sample obeys ``rho u_tt = -(G + eta d/dt) A u + f p(t)``, A the Stokes
operator of the well. On the eigenvectors of A every coordinate is a damped oscillator, so geometry enters only through
eigenvalues and couplings, and G, eta and force only through the oscillator's response to the push.
"""

from __future__ import annotations

import hashlib
import math
from collections import OrderedDict
from dataclasses import astuple
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.mechanics.cache import load_arrays, store_arrays
from stanch.mechanics.mesh import axial_knots, radial_knots
from stanch.mechanics.records import BEAM_ORDERS, SpectralTable
from stanch.mechanics.stokes import KrylovSpace, StokesOperator, Wall
from stanch.recording.records import Geometry

__all__ = ["default_depth", "heights", "spectral_table"]

Floats = NDArray[np.float64]

VERSION = 2
"""Raised when a table built earlier would no longer be the same."""

DEFAULT_FRAMES = tuple(1.25e-4 * k for k in range(1, 97))
DEPTH_SPACING = 1e-4
REACH = 2.5
FIRST_ROWS, ROW_STEP, MOST_ROWS = 12, 4, 200
SHORTEST_LAG = 3e-5
"""Smallest eta/G of the box [s]: at 100 Hz a loss tangent of 0.019, below that of any gel or clot."""

_memory: OrderedDict[str, SpectralTable] = OrderedDict()
_lock = Lock()


def spectral_table(
    geometry: Geometry,
    *,
    depth: Floats | None = None,
    density: float,
    push_duration: float,
    frame_time: Floats | None = None,
    modulus_range: tuple[float, float] = (1.0, 5000.0),
    viscosity_range: tuple[float, float] = (0.003, 2.0),
    tolerance: float = 1e-4,
    wall: Wall = "bonded",
    cache: bool = True,
) -> SpectralTable:
    """Build, or take from the cache, the spectral table of a closed well.

    Parameters
    ----------
    geometry : Geometry
        No slip on the base; the top does not slip (`lid` rigid) or carries no stress (`lid` free).
    depth : ndarray, shape (depth,), optional
        Beam positions [m]; by default every 0.1 mm of the well within 2.5 push lengths of the focus.
    density : float
        [kg/m^3].
    push_duration : float
        [s].
    frame_time : ndarray, shape (frame,), optional
        Times from the start of the push that will be fitted [s]; by default 96 up to 12 ms.
    modulus_range : tuple of float
        Box that will be fitted [Pa].
    viscosity_range : tuple of float
        Box that will be fitted [Pa·s]; viscosities below 3e-5 s times G are left out of it.
    tolerance : float
        Largest change, over the peak, that more rows may still make anywhere in the box [-].
    wall : str
        ``bonded`` (no slip) or ``slip`` (impermeable, without friction: a clot that has let go of the wall).
    cache : bool
        Whether to look in, and write to, memory and the cache folder.

    Returns
    -------
    SpectralTable
        Force along the beam, away from the transducer, unit at the focus; movement positive away from the transducer.

    Raises
    ------
    InputError
        If a number is out of range or the tolerance is not reached with 200 rows.

    Notes
    -----
    Density, push duration and the box decide only how many rows are kept. Positions outside the well do not move.
    """
    depth = np.array(default_depth(geometry) if depth is None else depth, dtype=np.float64)
    time = np.array(DEFAULT_FRAMES if frame_time is None else frame_time, dtype=np.float64)
    _check(depth, time, density, push_duration, modulus_range, viscosity_range, tolerance)
    if wall not in ("bonded", "slip"):
        raise InputError("wall", got=wall, allowed="bonded, slip")
    settings = (density, push_duration, *modulus_range, *viscosity_range, tolerance)
    key = _key(geometry, depth, time, (wall, *settings))
    if cache:
        with _lock:
            if key in _memory:
                _memory.move_to_end(key)
                return _memory[key]
        stored = load_arrays(
            key, {"eigenvalue": (-1,), "force": (-1,), "depth": (depth.size,), "beam": (BEAM_ORDERS, -1, depth.size)}
        )
        if stored is not None and stored["eigenvalue"].size == stored["force"].size == stored["beam"].shape[1]:
            return _remember(SpectralTable(**stored, geometry=geometry, key=key))
    box = _box(modulus_range, viscosity_range)
    eigenvalue, force, beam = build(geometry, depth, time, density, push_duration, box, tolerance, wall=wall)
    table = SpectralTable(eigenvalue, force, depth, beam, geometry, key)
    if cache:
        store_arrays(key, {"eigenvalue": eigenvalue, "force": force, "depth": depth, "beam": beam})
        _remember(table)
    return table


def default_depth(geometry: Geometry) -> Floats:
    """Beam positions every 0.1 mm inside the well within 2.5 push lengths of the focus [m], 0 among them."""
    up, down = geometry.well_depth - geometry.focus_height, geometry.focus_height
    far, near = (up, down) if geometry.beam_from == "base" else (down, up)
    reach = REACH * geometry.push_length
    first = math.floor(min(near, reach) / DEPTH_SPACING + 1e-9)
    last = math.floor(min(far, reach) / DEPTH_SPACING + 1e-9)
    return np.arange(-first, last + 1).astype(np.float64) * DEPTH_SPACING


def heights(geometry: Geometry, depth: Floats) -> Floats:
    """Heights above the base of beam positions [m]."""
    return geometry.focus_height + depth if geometry.beam_from == "base" else geometry.focus_height - depth


def build(
    geometry: Geometry,
    depth: Floats,
    time: Floats,
    density: float,
    push_duration: float,
    box: list[tuple[float, float]],
    tolerance: float,
    refinement: float = 1.0,
    wall: Wall = "bonded",
) -> tuple[Floats, Floats, Floats]:
    """Eigenvalues [1/m^2], force and beam couplings, with as many rows as the box of (G, eta) needs."""
    g = geometry
    operator = StokesOperator.of_well(
        radial_knots(g.well_radius, g.push_radius, refinement),
        axial_knots(g.well_depth, g.push_radius, g.push_length, refinement),
        g.lid,
        wall,
    )
    space = KrylovSpace(operator, operator.force(g.push_radius, g.push_length, g.focus_height))
    beams = [operator.beam(g.beam_radius, order) for order in range(BEAM_ORDERS)]
    witness = heights(g, np.array([0.0, -0.5, 0.5]) * g.push_length)
    before: Floats | None = None
    for rows in range(FIRST_ROWS, MOST_ROWS + 1, ROW_STEP):
        space.extend(rows)
        now = _traces(*space.table(space.rows, witness, beams[:1]), time, density, push_duration, box)
        if space.exhausted or (before is not None and float(np.abs(now - before).max()) < tolerance):
            return space.table(space.rows, heights(g, depth), beams)
        before = now
    raise InputError(
        "well, push and frame times",
        got=f"{MOST_ROWS} rows that leave more than {tolerance:g} of the peak for {box[-1][0]:g} Pa",
        allowed=f"a response that {MOST_ROWS} rows reproduce",
        do="Raise the lowest viscosity, lower the highest modulus, or leave out late frames.",
    )


def _traces(
    eigenvalue: Floats,
    force: Floats,
    beam: Floats,
    time: Floats,
    density: float,
    push_duration: float,
    box: list[tuple[float, float]],
) -> Floats:
    """Movement at the witness depths over the peak at the focus, shape (pair, depth, frame)."""
    modulus, viscosity = (np.array(column)[:, None, None] for column in zip(*box, strict=True))
    square = modulus * eigenvalue[:, None] / density
    damping = viscosity * eigenvalue[:, None] / (2.0 * density)
    h = _step(time, square, damping) - _step(time - push_duration, square, damping)
    traces: Floats = np.einsum("n,nz,pnt->pzt", force, beam[0], h, optimize=True)
    traces /= np.abs(traces[:, 0]).max(axis=1)[:, None, None]
    return traces


def _step(time: Floats, square: Floats, damping: Floats) -> Floats:
    """Response of q'' + 2 b q' + w^2 q = 1 from rest, 0 before time zero."""
    t = np.maximum(time, 0.0)
    root = np.sqrt(np.asarray(damping**2 - square, dtype=np.complex128))
    root = np.where(np.abs(root) < 1e-9 * damping, 1e-9 * damping, root)
    # The slow exponent from the product of the two: their difference would lose every digit when overdamped.
    fast = -damping - root
    slow = square / fast
    return np.asarray((1.0 - (fast * np.exp(slow * t) - slow * np.exp(fast * t)) / (fast - slow)).real / square)


def _box(modulus_range: tuple[float, float], viscosity_range: tuple[float, float]) -> list[tuple[float, float]]:
    pairs = []
    for modulus in np.geomspace(*modulus_range, 7):
        lowest = max(viscosity_range[0], SHORTEST_LAG * modulus)
        pairs += [(float(modulus), float(eta)) for eta in np.geomspace(lowest, max(lowest, viscosity_range[1]), 3)]
    return pairs


def _check(
    depth: Floats,
    time: Floats,
    density: float,
    push_duration: float,
    modulus_range: tuple[float, float],
    viscosity_range: tuple[float, float],
    tolerance: float,
) -> None:
    if depth.ndim != 1 or depth.size == 0 or not np.isfinite(depth).all():
        raise InputError("depth", got=depth.shape, allowed="a list of finite positions [m]")
    if time.ndim != 1 or time.size == 0 or not np.isfinite(time).all() or time.max() <= 0:
        raise InputError("frame_time", got=time.shape, allowed="finite times [s], at least one after the push starts")
    for name, value in (("density", density), ("push_duration", push_duration)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, got=value, allowed="a positive finite number (SI units)")
    for name, pair in (("modulus_range", modulus_range), ("viscosity_range", viscosity_range)):
        if not 0 < pair[0] <= pair[1] < math.inf:
            raise InputError(name, got=pair, allowed="two positive finite numbers, ascending (SI units)")
    if not 1e-8 <= tolerance <= 0.1:
        raise InputError("tolerance", got=tolerance, allowed="1e-8 to 0.1")


def _key(geometry: Geometry, depth: Floats, time: Floats, settings: tuple[str | float, ...]) -> str:
    digest = hashlib.sha256(repr((VERSION, astuple(geometry), settings)).encode())
    for array in (depth, time):
        digest.update(np.ascontiguousarray(array, dtype="<f8").tobytes())
    return digest.hexdigest()


def _remember(table: SpectralTable) -> SpectralTable:
    with _lock:
        _memory[table.key] = table
        while len(_memory) > 64:
            _memory.popitem(last=False)
    return table
