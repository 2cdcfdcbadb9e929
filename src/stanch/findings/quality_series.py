"""Series of pushes: runs that last, the liquid part, levels and trends."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement
from stanch.mechanics.records import Moduli

__all__ = [
    "RUN",
    "SET_COHERENCE",
    "begins_run",
    "decibel",
    "in_gate",
    "indices",
    "lasting",
    "line_fit",
    "liquid_moduli",
    "liquid_pushes",
]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

SET_COHERENCE = 0.85
"""Slow coherence from which a zone counts as set: a frozen clot is near 1; in liquid the few speckle cells of a zone
reach 0.7 by chance."""
RUN = 3
"""Consecutive pushes that must agree before a change counts."""


def indices(pushes: NDArray[np.intp]) -> tuple[int, ...]:
    """Push indices as plain numbers.

    Parameters
    ----------
    pushes : ndarray of int, shape (push,)
        Indices [-].

    Returns
    -------
    tuple of int
    """
    return tuple(int(k) for k in pushes)


def decibel(energy: Floats) -> Floats:
    """Level of an energy, with a floor far below every echo [dB]."""
    top = float(energy.max()) if energy.size else 0.0
    floor = top * 1e-12 if top > 0 else 1.0
    return np.asarray(10.0 * np.log10(np.maximum(energy, floor)))


def lasting(mask: Bools) -> Bools:
    """Keep entries that belong to a run of at least RUN pushes."""
    kept = np.zeros_like(mask)
    for shift in range(RUN):
        window = np.ones((mask.shape[0] - RUN + 1, mask.shape[1]), bool)
        for k in range(RUN):
            window &= mask[k : mask.shape[0] - RUN + 1 + k]
        kept[shift : shift + window.shape[0]] |= window
    return kept


def begins_run(mask: Bools) -> Bools:
    """Whether an entry begins a run of at least RUN pushes."""
    window = np.ones((mask.shape[0] - RUN + 1, mask.shape[1]), bool)
    for k in range(RUN):
        window &= mask[k : mask.shape[0] - RUN + 1 + k]
    return window


def in_gate(d: Displacement) -> Bools:
    """Bins of the energy profile inside the tracking gate."""
    weighty = d.depth[np.asarray(d.sensitivity).max(axis=0) > 0]
    if weighty.size == 0:
        return np.zeros(d.energy_depth.shape, bool)
    step = float(np.median(np.abs(np.diff(d.energy_depth)))) if d.energy_depth.size > 1 else 0.0
    low, high = float(weighty.min()) - step / 2, float(weighty.max()) + step / 2
    return np.asarray((d.energy_depth >= low) & (d.energy_depth <= high))


def liquid_pushes(d: Displacement) -> NDArray[np.intp]:
    """Pushes before the pre-push lines begin to hold together.

    Returns
    -------
    ndarray of int, shape (push,)
        Indices [-].
    """
    holds = d.slow_coherence >= SET_COHERENCE
    if holds.size < RUN:
        return np.empty(0, np.intp)
    begins = begins_run(holds[:, None])[:, 0]
    return np.arange(int(np.argmax(begins)) if begins.any() else holds.size)


def liquid_moduli(m: Moduli) -> NDArray[np.intp]:
    """Usable pushes before the first run of pushes that are not liquid.

    Returns
    -------
    ndarray of int, shape (push,)
        Indices [-].
    """
    usable = np.flatnonzero(m.usable)
    if usable.size < RUN:
        return np.empty(0, np.intp)
    begins = begins_run(m.zero_rejected[usable][:, None])[:, 0]
    return usable[: int(np.argmax(begins)) if begins.any() else usable.size]


def line_fit(x: Floats, y: Floats) -> tuple[float, float]:
    """Least-squares slope and its standard error.

    Parameters
    ----------
    x, y : ndarray, shape (point,)
        [unit].

    Returns
    -------
    slope, error : float
        [unit].
    """
    dx = x - x.mean()
    slope = float((dx * (y - y.mean())).sum() / (dx**2).sum())
    rest = y - y.mean() - slope * dx
    return slope, float(np.sqrt((rest**2).sum() / max(y.size - 2, 1) / (dx**2).sum()))
