"""The sweeps of ``functionals`` over many paths, compiled; each equals its NumPy reference there."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["first_reached", "highest_mean", "onset", "steepest_rise"]

Floats = NDArray[np.float64]


@njit(cache=True, nogil=True)
def onset(time: Floats, paths: Floats, threshold: float, dwell: float) -> Floats:
    """See ``functionals.onset`` [s]."""
    count, size = paths.shape
    out = np.full(count, np.inf)
    for p in range(count):
        path = paths[p]
        crossed = time[0]
        before = path[0] < threshold
        from_start = not before
        for k in range(size):
            value = path[k]
            if value < threshold:
                before = True
                from_start = False
                continue
            if before:
                low = path[k - 1]
                share = min(max((threshold - low) / (value - low), 0.0), 1.0)
                crossed = time[k - 1] + (time[k] - time[k - 1]) * share
                before = False
            if time[k] - crossed >= dwell - 1e-9:
                out[p] = -np.inf if from_start else crossed
                break
    return out


@njit(cache=True, nogil=True)
def highest_mean(
    paths: Floats, step: float, whole: int, share: float, count: int, window: float
) -> tuple[Floats, NDArray[np.int64]]:
    """Highest window mean of every path [Pa] and the index at which that window starts."""
    number = paths.shape[0]
    best = np.empty(number)
    where = np.empty(number, dtype=np.int64)
    area = np.empty(paths.shape[1])
    half = 0.5 * step
    for p in range(number):
        path = paths[p]
        total = 0.0
        area[0] = 0.0
        for k in range(1, path.size):
            total += path[k] + path[k - 1]
            area[k] = total * half
        top, at = -np.inf, 0
        for k in range(count):
            end = area[k + whole]
            if share > 1e-12:
                end = (1.0 - share) * end + share * area[k + whole + 1]
            mean = (end - area[k]) / window
            if mean > top:
                top, at = mean, k
        best[p] = top
        where[p] = at
    return best, where


@njit(cache=True, nogil=True)
def first_reached(time: Floats, paths: Floats, level: Floats) -> Floats:
    """See ``functionals.first_reached`` [s]."""
    number, size = paths.shape
    out = np.full(number, np.inf)
    for p in range(number):
        path = paths[p]
        wanted = level[p]
        for k in range(size):
            if path[k] >= wanted:
                if k == 0:
                    out[p] = -np.inf
                else:
                    low = path[k - 1]
                    out[p] = time[k - 1] + (time[k] - time[k - 1]) * (wanted - low) / (path[k] - low)
                break
    return out


@njit(cache=True, nogil=True)
def steepest_rise(
    paths: Floats, whole: int, share: float, count: int, chord: float
) -> tuple[Floats, NDArray[np.int64]]:
    """Steepest chord of every path [Pa/s] and the index at which it starts."""
    number = paths.shape[0]
    best = np.empty(number)
    where = np.empty(number, dtype=np.int64)
    for p in range(number):
        path = paths[p]
        top, at = -np.inf, 0
        for k in range(count):
            end = path[k + whole]
            if share > 1e-12:
                end = (1.0 - share) * end + share * path[k + whole + 1]
            slope = (end - path[k]) / chord
            if slope > top:
                top, at = slope, k
        best[p] = top
        where[p] = at
    return best, where
