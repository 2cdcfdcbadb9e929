"""The library of a prior: whole curves on a common grid, and the candidates made of them."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET

__all__ = ["GRID_STEP", "Candidates", "candidates", "compress", "even_grid", "library_grid", "well_class"]

Floats = NDArray[np.float64]

GRID_STEP = 20.0
"""Step of the even grid on which curves are continued [s]."""

VARIANTS = 3
"""Candidates made of each library curve: itself, and with other pace and level [-]."""
PACE_SD, LEVEL_SD = 0.08, 0.10
"""Spread of ln pace and ln level of the variants [-]."""


def well_class(activator: str | None, additives: Iterable[str]) -> str:
    """The class of wells that share a library: activator and additives, whatever the well is called.

    Examples
    --------
    >>> well_class("High tissue factor", ["platelet blocker", "antifibrinolytic"])
    'high tissue factor + antifibrinolytic + platelet blocker'
    """
    words = [activator or "no activator", *sorted(_plain(name) for name in additives)]
    return " + ".join(_plain(word) for word in words)


def _plain(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def library_grid(run: float) -> Floats:
    """Times at which library curves are kept: every 15 s to half an hour, every minute after that [s]."""
    dense = np.arange(0.0, min(run, 1800.0) + 1e-9, 15.0)
    return np.concatenate((dense, np.arange(dense[-1] + 60.0, run + 1e-9, 60.0)))


def even_grid(run: float) -> Floats:
    """The even grid of a run [s]."""
    return np.arange(0.0, run + 1e-9, GRID_STEP)


def compress(time: ArrayLike, modulus: ArrayLike, grid: ArrayLike) -> Floats:
    """A curve as it is kept: ln(G + 10 Pa) on `grid`, flat before and after what was recorded.

    Parameters
    ----------
    time : array_like, shape (time,)
        Increasing [s].
    modulus : array_like, shape (time,)
        [Pa].
    grid : array_like, shape (grid,)
        [s].

    Returns
    -------
    ndarray, shape (grid,)
        [-].

    Raises
    ------
    InputError
        If the times do not increase or a modulus is not a number.
    """
    t, g = np.asarray(time, dtype=float), np.asarray(modulus, dtype=float)
    if t.ndim != 1 or t.shape != g.shape or t.size < 2 or not (np.diff(t) > 0).all():
        raise InputError("time of a curve", got=f"{t.size} times", allowed="at least two that increase, one per value")
    if not np.isfinite(g).all():
        raise InputError("modulus of a curve", got="a value that is no number", allowed="finite values")
    return np.asarray(np.log(np.maximum(np.interp(np.asarray(grid, dtype=float), t, g), 0.0) + LOG_OFFSET))


class Candidates:
    """Library curves of one or two classes of wells, with variants of pace and level, on the even grid.

    Parameters
    ----------
    time : ndarray, shape (time,)
        [s].
    curves : ndarray, shape (well, candidate, time)
        ln(G + 10 Pa) [-].
    sample : ndarray of int64, shape (candidate,)
        Which library sample each is made of.
    """

    def __init__(self, time: Floats, curves: Floats, sample: NDArray[np.int64]) -> None:
        self.time, self.curves, self.sample = time, curves, sample


def candidates(kept: Floats, library: list[Floats], run: float, seed: int) -> Candidates:
    """Candidates for the wells of one sample.

    Parameters
    ----------
    kept : ndarray, shape (grid,)
        Times of the library [s].
    library : list of ndarray, shape (sample, grid)
        One per well, rows of the same samples; ln(G + 10 Pa) [-].
    run : float
        [s].
    seed : int
        Of the variants.

    Returns
    -------
    Candidates
    """
    whole = np.all([np.isfinite(rows).all(axis=1) for rows in library], axis=0)
    numbers = np.flatnonzero(whole)
    rng = np.random.default_rng([seed, 11])
    sample = np.repeat(numbers, VARIANTS)
    pace = np.exp(PACE_SD * rng.standard_normal(sample.size))
    level = np.exp(LEVEL_SD * rng.standard_normal(sample.size))
    pace[::VARIANTS] = level[::VARIANTS] = 1.0
    time = even_grid(run)
    curves = np.empty((len(library), sample.size, time.size))
    for well, rows in enumerate(library):
        for index, number in enumerate(sample):
            y = np.interp(time / pace[index], kept, rows[number])
            curves[well, index] = np.log(level[index] * (np.exp(y) - LOG_OFFSET) + LOG_OFFSET)
    return Candidates(time, curves, sample.astype(np.int64))
