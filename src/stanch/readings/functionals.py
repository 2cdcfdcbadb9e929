"""What a reading is: numbers taken from sample paths of a modulus curve.

Every function takes `time`, shape (time,), evenly spaced, and `paths`, shape (path, time), and returns one value per
path. A value that is not reached within the run is ``+inf``, one passed before the first push ``-inf``; a value that
would need times outside the run is NaN. Paths are straight lines between grid times.

Sets of many paths are swept by the compiled twins in ``kernel``; the NumPy forms here are the reference they equal.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "PLATEAU_SHARE",
    "PLATEAU_WINDOW",
    "RISE_HALF_CHORD",
    "at",
    "first_reached",
    "gel_time",
    "highest_mean",
    "mean_around",
    "onset",
    "running_mean",
    "running_slope",
    "steepest_rise",
]

Floats = NDArray[np.float64]

PLATEAU_WINDOW = 120.0
"""Length of the mean whose highest value is the plateau [s]."""

PLATEAU_SHARE = 0.95
"""Share of the plateau at which it counts as entered [-]."""

RISE_HALF_CHORD = 30.0
"""Half the chord of the steepest rise [s]."""

MANY = 20
"""Number of paths from which the compiled sweep is used [-]."""


def _compiled(paths: Floats, reference: bool) -> bool:
    return not reference and paths.shape[0] >= MANY


def onset(time: Floats, paths: Floats, threshold: float, dwell: float, *, reference: bool = False) -> Floats:
    """First time at which each path is at or above `threshold` for the whole dwell.

    Returns
    -------
    ndarray, shape (path,)
        Time [s]; ``-inf`` where that is the first grid time, ``+inf`` where it does not happen within the run.
    """
    if _compiled(paths, reference):
        from stanch.readings import kernel

        return kernel.onset(time, paths, threshold, dwell)
    under = paths < threshold
    index = np.arange(time.size)
    last_under = np.maximum.accumulate(np.where(under, index, -1), axis=1)
    # Confirmed at the first grid time at least one dwell after the last value below the threshold was left.
    left = np.clip(last_under, 0, time.size - 2)
    low = np.take_along_axis(paths, left, axis=1)
    high = np.take_along_axis(paths, left + 1, axis=1)
    # Only the steps that cross are used; a step of no height elsewhere may overflow.
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        crossed = time[left] + (time[left + 1] - time[left]) * np.clip((threshold - low) / (high - low), 0.0, 1.0)
    crossed = np.where(last_under < 0, time[0], crossed)
    confirmed = ~under & (time - crossed >= dwell - 1e-9)
    where = np.argmax(confirmed, axis=1)
    row = np.arange(paths.shape[0])
    value = np.where(last_under[row, where] < 0, -np.inf, crossed[row, where])
    return np.where(confirmed[row, where], value, np.inf)


def gel_time(time: Floats, loss_tangent: Floats, dwell: float) -> Floats:
    """First time at which each path of a loss tangent is at or below 1 for the whole dwell.

    Parameters
    ----------
    time : ndarray, shape (time,)
        [s].
    loss_tangent : ndarray, shape (path, time)
        G''/G', above 0; its logarithm is a straight line between grid times [-].
    dwell : float
        [s].

    Returns
    -------
    ndarray, shape (path,)
        As of :func:`onset` [s].
    """
    return onset(time, -np.log(loss_tangent), 0.0, dwell)


def at(time: Floats, paths: Floats, when: Floats) -> Floats:
    """Each path at its own time [s]; NaN outside the run (by more than a microsecond)."""
    when = np.broadcast_to(np.asarray(when, dtype=float), (paths.shape[0],))
    inside = np.isfinite(when) & (when >= time[0] - 1e-6) & (when <= time[-1] + 1e-6)
    step = (time[-1] - time[0]) / (time.size - 1)
    u = np.clip(np.where(inside, (when - time[0]) / step, 0.0), 0.0, time.size - 1.0)
    left = np.minimum(u.astype(np.int64), time.size - 2)
    row = np.arange(paths.shape[0])
    share = u - left
    return np.where(inside, (1.0 - share) * paths[row, left] + share * paths[row, left + 1], np.nan)


def _integral(time: Floats, paths: Floats) -> Floats:
    step = (time[-1] - time[0]) / (time.size - 1)
    out = np.empty_like(paths)
    out[:, 0] = 0.0
    np.cumsum(paths[:, 1:] + paths[:, :-1], axis=1, out=out[:, 1:])
    out *= 0.5 * step
    return out


def _shifted(values: Floats, steps: float, count: int) -> Floats:
    """Columns `steps` (not a whole number) later, linear in between; `count` of them."""
    whole = int(np.floor(steps))
    share = steps - whole
    out: Floats = values[:, whole : whole + count]
    if share > 1e-12:
        out = (1.0 - share) * out + share * values[:, whole + 1 : whole + 1 + count]
    return out


def _windows(time: Floats, length: float) -> tuple[float, int]:
    step = (time[-1] - time[0]) / (time.size - 1)
    steps = length / step
    nearest = round(steps)
    steps = float(nearest) if abs(steps - nearest) < 1e-9 * max(steps, 1.0) else steps
    return steps, time.size - int(np.ceil(steps - 1e-12))


def running_mean(time: Floats, paths: Floats, window: float = PLATEAU_WINDOW, every: int = 1) -> Floats:
    """Mean of each path over every window [s] inside the run, shape (path, window) [Pa]."""
    steps, count = _windows(time, window)
    area = _integral(time, paths)
    return np.asarray((_shifted(area, steps, count) - area[:, :count])[:, ::every] / window)


def highest_mean(
    time: Floats, paths: Floats, window: float = PLATEAU_WINDOW, *, reference: bool = False
) -> tuple[Floats, Floats]:
    """Highest mean of each path over a window, and the time at which that window ends [s]; NaN in a shorter run."""
    steps, count = _windows(time, window)
    if count < 1:
        nothing = np.full(paths.shape[0], np.nan)
        return nothing, nothing
    if _compiled(paths, reference):
        from stanch.readings import kernel

        whole, step = int(np.floor(steps)), (time[-1] - time[0]) / (time.size - 1)
        best, start = kernel.highest_mean(paths, step, whole, steps - whole, count, window)
        return best, time[start] + window
    means = running_mean(time, paths, window)
    where = np.argmax(means, axis=1)
    return means[np.arange(paths.shape[0]), where], time[where] + window


def first_reached(time: Floats, paths: Floats, level: Floats, *, reference: bool = False) -> Floats:
    """First time at which each path reaches its own level [s]; ``-inf`` at the first grid time, ``+inf`` never."""
    if _compiled(paths, reference):
        from stanch.readings import kernel

        return kernel.first_reached(time, paths, level)
    reached = paths >= level[:, None]
    where = np.argmax(reached, axis=1)
    row = np.arange(paths.shape[0])
    before = np.maximum(where - 1, 0)
    low, high = paths[row, before], paths[row, where]
    with np.errstate(invalid="ignore", divide="ignore"):
        value = time[before] + (time[where] - time[before]) * (level - low) / (high - low)
    value = np.where(where == 0, -np.inf, value)
    return np.where(reached[row, where], value, np.inf)


def running_slope(time: Floats, paths: Floats, half: float = RISE_HALF_CHORD, every: int = 1) -> Floats:
    """Slope of every chord of each path inside the run, shape (path, chord) [Pa/s]."""
    steps, count = _windows(time, 2.0 * half)
    return np.asarray((_shifted(paths, steps, count) - paths[:, :count])[:, ::every] / (2.0 * half))


def steepest_rise(
    time: Floats, paths: Floats, half: float = RISE_HALF_CHORD, *, reference: bool = False
) -> tuple[Floats, Floats]:
    """Largest slope of a chord of each path [Pa/s], and the middle of that chord [s]; NaN in a shorter run."""
    steps, count = _windows(time, 2.0 * half)
    if count < 1:
        nothing = np.full(paths.shape[0], np.nan)
        return nothing, nothing
    if _compiled(paths, reference):
        from stanch.readings import kernel

        whole = int(np.floor(steps))
        best, start = kernel.steepest_rise(paths, whole, steps - whole, count, 2.0 * half)
        return best, time[start] + half
    slopes = running_slope(time, paths, half)
    where = np.argmax(slopes, axis=1)
    return slopes[np.arange(paths.shape[0]), where], time[where] + half


def mean_around(time: Floats, paths: Floats, when: Floats, window: float = PLATEAU_WINDOW) -> Floats:
    """Mean of each path over a window [s] centred at its own time; NaN where the window leaves the run."""
    area = _integral(time, paths)
    return (at(time, area, when + 0.5 * window) - at(time, area, when - 0.5 * window)) / window
