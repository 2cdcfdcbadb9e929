"""Displacement to modulus: the fit of every push of one well."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement
from stanch.errors import InputError
from stanch.mechanics.joint import GATE_SHARE, SETTLED, Frames, Lines, Work, collect, in_chunks, solve
from stanch.mechanics.records import LOG_OFFSET, Moduli, SpectralTable
from stanch.mechanics.response import coupling
from stanch.mechanics.settings import InvertSettings
from stanch.recording.records import Acquisition, Geometry

__all__ = ["GATE_SHARE", "Frames", "InvertSettings", "invert"]

Floats = NDArray[np.float64]

MOST_ROWS = 520
"""Longest table the compiled kernel has work space for."""

GROSS_THRESHOLD = 6.0
RIVAL_SHARE = 0.98
SPECKLE_SLACK = 0.05


@dataclass(frozen=True)
class Library:
    """The start grid with its traces of unit norm, shape (frame, cell)."""

    grid_y: Floats
    grid_e: Floats
    cells: NDArray[np.float32]


def invert(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    geometry: Geometry,
    settings: InvertSettings | None = None,
) -> Moduli:
    """Fit modulus, viscosity and force of every push of one well.

    Parameters
    ----------
    displacement : Displacement
        Of the well, with its noise model.
    table : SpectralTable
        Of the well's geometry, covering the tracking gate.
    acquisition : Acquisition
        Density and push duration are used.
    geometry : Geometry
        Push radius is used, for the strain.
    settings : InvertSettings, optional
        Defaults if not given.

    Returns
    -------
    Moduli
        Every push; those without an estimate are flagged, not usable and NaN.

    Raises
    ------
    InputError
        If the frames do not rise in time or the gate reaches beyond the table.

    Notes
    -----
    Per push, weighted least squares in y = ln(G + 10 Pa) and ln eta with the force projected out. The noise model of
    :class:`~stanch.echo.records.Displacement` is applied to data, model and derivatives alike by a scalar Kalman
    recursion along the frames. Each push starts from its own best cell of a grid by matched filter, so the result does
    not depend on the pushes before it. Speckle deviations are then solved jointly (:mod:`stanch.mechanics.speckle`).

    The weighted phase of movement D that differs under the beam is bent by ``-(k/2) Im(<D^2> - <D>^2)``, k the phase
    per movement. In the Laguerre series the largest part of it is ``k D1^2`` times the difference of the imaginary
    parts of two deviations, so its prior SD is ``sqrt(2) tau``. It grows with the square of the movement.
    """
    s = settings or InvertSettings()
    frames = Frames.of(displacement.frame_time, acquisition.push_duration)
    scale = table.eigenvalue / acquisition.density
    if scale.size > MOST_ROWS:
        raise InputError("spectral table", got=f"{scale.size} rows", allowed=f"at most {MOST_ROWS}")
    library = _library(table, displacement.depth, acquisition.density, scale, frames, s)
    solved = solve(displacement, table, acquisition, _KelvinVoigt(library, scale, frames, s), 2, s)
    y, e = solved.work.x.T
    return collect(displacement, geometry, solved, y, e, solved.solution, s)


@dataclass(frozen=True)
class _KelvinVoigt:
    """The compiled fit in y = ln(G + 10 Pa) and ln eta."""

    library: Library
    scale: Floats
    frames: Frames
    settings: InvertSettings
    settled: float = SETTLED

    def first(self, work: Work) -> None:
        """See :class:`~stanch.mechanics.joint.Search`."""
        scale, frames, library, s = self.scale, self.frames, self.library, self.settings
        kernel = _kernel()
        speckle = bool(np.any(work.tau > 0))
        threshold = math.inf if not s.robust else max(s.outlier_threshold, GROSS_THRESHOLD if speckle else 0.0)
        cost, count = np.empty(len(work.x)), np.empty(len(work.x), dtype=np.int64)
        y, e = np.empty(len(work.x)), np.empty(len(work.x))

        def job(piece: slice) -> None:
            data, variance = work.data[piece], work.variance[piece]
            starts, rival = np.empty((len(data), 2, 2)), np.empty(len(data), dtype=np.bool_)
            kernel.pick_starts(
                data, variance, work.step_variance[piece], work.shared_variance[piece], s.robust, library.cells,
                library.grid_e.size, RIVAL_SHARE, library.grid_y, library.grid_e, starts, rival, work.inflation[piece],
            )  # fmt: skip
            kernel.fit_pushes(
                data, variance, work.step_variance[piece], work.shared_variance[piece], work.coefficient[piece], scale,
                *frames.arguments, starts, rival, threshold, 2.0, SPECKLE_SLACK if speckle else 0.0, s.evaluations,
                s.tolerance, work.inflation[piece], y[piece], e[piece], cost[piece], work.status[piece],
                count[piece],
            )  # fmt: skip

        in_chunks(len(work.x), s.threads, job)
        work.x = np.stack([y, e], axis=1)

    def refit(self, work: Work, start: Floats) -> None:
        """See :class:`~stanch.mechanics.joint.Search`."""
        scale, frames, s = self.scale, self.frames, self.settings
        kernel = _kernel()
        coefficient, data = work.deviated()
        starts = np.repeat(start[:, None, :], 2, axis=1)
        rival = np.zeros(len(work.x), dtype=np.bool_)
        threshold = s.outlier_threshold if s.robust else math.inf
        cost, count = np.empty(len(work.x)), np.empty(len(work.x), dtype=np.int64)
        y, e = np.empty(len(work.x)), np.empty(len(work.x))

        def job(piece: slice) -> None:
            kernel.fit_pushes(
                data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
                coefficient[piece], scale, *frames.arguments, starts[piece], rival[piece], threshold, 2.0, 0.0,
                s.evaluations, s.tolerance, work.inflation[piece], y[piece], e[piece], cost[piece],
                work.status[piece], count[piece],
            )  # fmt: skip

        in_chunks(len(work.x), s.threads, job)
        work.x = np.stack([y, e], axis=1)

    def linearise(self, work: Work) -> Lines:
        """See :class:`~stanch.mechanics.joint.Search`."""
        scale, frames, s = self.scale, self.frames, self.settings
        kernel = _kernel()
        n, k = work.data.shape
        coefficient, data = work.deviated()
        size = 3 + work.delta.shape[1]
        y, e = np.ascontiguousarray(work.x.T)
        force, information, gradient = np.empty(n), np.empty((n, size, size)), np.empty((n, size))
        cost, fitted, bent = np.empty(n), np.empty((n, k)), np.zeros((n, k))

        def job(piece: slice) -> None:
            kernel.linearise_pushes(
                data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
                coefficient[piece], work.slope[piece], work.bending, scale, *frames.arguments, y[piece], e[piece],
                work.inflation[piece], force[piece], information[piece], gradient[piece], cost[piece], fitted[piece],
                bent[piece],
            )  # fmt: skip

        in_chunks(n, s.threads, job)
        fitted += work.bend()
        work.bent = bent
        return Lines(information, gradient, force, cost, fitted)


def _library(
    table: SpectralTable, depth: Floats, density: float, scale: Floats, frames: Frames, s: InvertSettings
) -> Library:
    """Start grid and its traces of unit norm; independent of the pushes, so that they cannot affect each other."""
    inside = depth[(depth >= table.depth[0] - 1e-9) & (depth <= table.depth[-1] + 1e-9)]
    coefficient = coupling(table, inside if inside.size else None) / density
    arrays = (coefficient, scale, frames.time)
    return _cached_library(tuple(a.tobytes() for a in arrays), frames.duration, s.start_modulus, s.start_viscosity)


@lru_cache(maxsize=16)
def _cached_library(
    arrays: tuple[bytes, ...], duration: float, start_modulus: tuple[float, ...], start_viscosity: tuple[float, ...]
) -> Library:
    """The wells of one recording mostly share their library."""
    kernel = _kernel()
    coefficient, scale, time = (np.frombuffer(a) for a in arrays)
    g, eta = (a.ravel() for a in np.meshgrid(start_modulus, start_viscosity, indexing="ij"))
    out = np.empty((g.size, 3, time.size))
    frames = Frames.of(time, duration)
    kernel.traces(g, eta, np.tile(coefficient, (g.size, 1)), scale.copy(), *frames.arguments, out)
    cells = out[:, 0].T / np.sqrt((out[:, 0] ** 2).sum(axis=1))
    grid_y, grid_e = np.log(np.asarray(start_modulus) + LOG_OFFSET), np.log(np.asarray(start_viscosity))
    return Library(grid_y, grid_e, np.ascontiguousarray(cells, dtype=np.float32))


def _kernel() -> Any:
    """The compiled kernel, loaded on first use."""
    from stanch.mechanics import kernel

    return kernel
