"""The trace a beam sees after a push in a medium of any of the models, from the same spectral table."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.mechanics.records import SpectralTable
from stanch.mechanics.response import coupling
from stanch.mechanics.rheology.contour import contour
from stanch.mechanics.rheology.models import to_search
from stanch.recording.records import Acquisition

__all__ = ["trace", "trace_derivatives"]

Floats = NDArray[np.float64]


def trace_derivatives(
    table: SpectralTable,
    model: str,
    x: ArrayLike,
    frequency: float,
    force: float,
    acquisition: Acquisition,
    frame_time: ArrayLike,
    coefficient: ArrayLike,
) -> Floats:
    """One trace and its derivatives in the parameters of the search.

    Parameters
    ----------
    table : SpectralTable
        Of the well.
    model : str
        One of ``MODELS``.
    x : array_like, shape (parameter,)
        Of :func:`~stanch.mechanics.rheology.models.to_search` [-].
    frequency : float
        At which a spring-pot's modulus is stated [Hz].
    force : float
        Peak body force [N/m^3].
    acquisition : Acquisition
        Density and push duration are used.
    frame_time : array_like, shape (frame,)
        From the start of the push, rising [s].
    coefficient : array_like, shape (row,)
        Of :func:`~stanch.mechanics.response.coupling` [-].

    Returns
    -------
    ndarray, shape (1 + parameter, frame)
        Displacement and its derivatives [m].
    """
    from stanch.mechanics.rheology import kernel

    x = np.ascontiguousarray(x, dtype=float)
    path = contour(frame_time, acquisition.push_duration)
    out = np.zeros((1, 1 + x.size, path.time.size))
    inside = int(np.searchsorted(path.time, 0.0, side="right"))
    after = int(np.searchsorted(path.time, path.duration, side="right"))
    c = np.asarray(coefficient, dtype=float)[None] * (force / acquisition.density)
    kernel.respond_all(
        kernel.KINDS[model], x[None], 2.0 * math.pi * frequency, c, table.eigenvalue / acquisition.density, path.time,
        inside, after, path.duration, path.node, path.matrix, out,
    )  # fmt: skip
    return np.asarray(out[0])


def trace(
    table: SpectralTable,
    model: str,
    parameters: Mapping[str, float],
    force: float,
    acquisition: Acquisition,
    frame_time: ArrayLike,
    depth: ArrayLike | None = None,
    sensitivity: ArrayLike | None = None,
    order: int = 0,
) -> Floats:
    """The displacement a beam sees in one push.

    Parameters
    ----------
    table : SpectralTable
        Of the well.
    model : str
        One of ``MODELS``.
    parameters : mapping of str to float
        In SI units, by name, as in :data:`~stanch.mechanics.rheology.models.PARAMETERS`.
    force : float
        Peak body force [N/m^3].
    acquisition : Acquisition
        Density and push duration are used.
    frame_time : array_like, shape (frame,)
        From the start of the push, rising [s].
    depth, sensitivity : array_like, shape (depth,), optional
        The tracking gate and its weights, as in :func:`~stanch.mechanics.response.coupling` [m], [-].
    order : int
        Laguerre order of the weighting across the beam [-].

    Returns
    -------
    ndarray, shape (frame,)
        Positive away from the transducer [m].

    Raises
    ------
    InputError
        If model or parameters are not known or the frames do not rise.
    """
    x = to_search(model, parameters, 1.0)
    c = coupling(table, depth, sensitivity, order)
    return np.asarray(trace_derivatives(table, model, x, 1.0, force, acquisition, frame_time, c)[0])
