"""Signs of bad frames, bad lines and bulk drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import PushFlag
from stanch.recording.records import Geometry

__all__ = ["Drift", "frame_flags", "line_flags", "remove_drift"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def frame_flags(signs: NDArray[np.uint8], decorrelated: Bools, readable: Bools) -> NDArray[np.int64]:
    """Flags of a push from the signs of its frames.

    Parameters
    ----------
    signs : ndarray of uint8, shape (push, frame)
        1 saturated, 2 constant, 4 repeated, 8 not finite.
    decorrelated : ndarray of bool, shape (push, frame)
    readable : ndarray of bool, shape (push,)
        Whether the push had a usable pre-push frame.

    Returns
    -------
    ndarray of int64, shape (push,)
        :class:`PushFlag` bits; a push without a reference, or with fewer than a third of its frames, is refused.
    """
    flags = np.zeros(signs.shape[0], np.int64)
    for bit, flag in (
        (1, PushFlag.SATURATED),
        (2, PushFlag.LOST_FRAMES),
        (4, PushFlag.REPEATED_FRAMES),
        (8, PushFlag.NOT_FINITE),
    ):
        flags |= np.where(((signs & bit) > 0).any(axis=1), int(flag), 0)
    flags |= np.where(decorrelated.any(axis=1), int(PushFlag.DECORRELATED), 0)
    lost = ((signs > 0) | decorrelated).mean(axis=1)
    flags |= np.where(~readable | (lost > 2 / 3), int(PushFlag.REFUSED), 0)
    return flags


@dataclass(frozen=True)
class Drift:
    """Displacement without bulk drift.

    Parameters
    ----------
    shift : ndarray, shape (push, frame)
        [m].
    velocity : ndarray, shape (push,)
        What was taken out [m/s].
    step_variance : ndarray, shape (push, frame after the push)
        To add to the random-walk steps for the uncertainty of that [m^2].
    significant : ndarray of bool, shape (push,)
        Whether the push by itself shows drift beyond five standard deviations.
    """

    shift: Floats
    velocity: Floats
    step_variance: Floats
    significant: Bools


def remove_drift(shift: Floats, good: Bools, frame_time: Floats, before: int, sd: Floats, shared_sd: Floats) -> Drift:
    """Take out a steady drift seen in the pre-push frames.

    Parameters
    ----------
    shift : ndarray, shape (push, frame)
        Pre-push frames included [m].
    good : ndarray of bool, shape (push, frame)
    frame_time : ndarray, shape (frame,)
        [s].
    before : int
        Pre-push frames.
    sd, shared_sd : ndarray
        Of the frames after the push, shape (push, frame after), and of the reference, shape (push,) [m].

    Returns
    -------
    Drift

    Notes
    -----
    A slope from a few pre-push frames is poor: taken out of every push it would add many times the noise of a frame
    at the late frames. So only a push whose own slope is beyond five standard deviations is corrected; for that one
    the uncertainty of the slope, growing as time squared, is passed on as steps of a variance in proportion to the time
    since the frame before, which reach it at the last frame.
    """
    pushes = shift.shape[0]
    after = frame_time[before:]
    velocity = np.zeros(pushes)
    steps = np.zeros((pushes, after.size))
    significant = np.zeros(pushes, np.bool_)
    time = frame_time[:before]
    weight = good[:, :before].astype(float)
    total = weight.sum(axis=1)
    usable = total >= 2
    mean_time = np.where(usable, weight @ time / np.maximum(total, 1), 0.0)
    lever = (weight * (time[None, :] - mean_time[:, None]) ** 2).sum(axis=1)
    usable &= lever > 0
    level = np.median(sd, axis=1) if after.size else np.zeros(pushes)
    safe = np.where(usable, lever, 1.0)
    slope = (weight * (time[None, :] - mean_time[:, None]) * shift[:, :before]).sum(axis=1) / safe
    slope_sd = level / np.sqrt(safe)
    significant = usable & (np.abs(slope) > 5.0 * slope_sd)
    velocity = np.where(significant, slope, 0.0)
    corrected = shift - velocity[:, None] * (frame_time[None, :] - mean_time[:, None])
    if significant.any():
        end = (slope_sd * (after[-1] - mean_time)) ** 2
        apart = np.diff(after, prepend=after[0] - (after[1] - after[0])) if after.size > 1 else np.ones(1)
        steps = np.where(significant[:, None], end[:, None] * (apart / apart.sum()), 0.0)
    return Drift(corrected, velocity, steps, significant)


def line_flags(energy: Floats, depth: Floats, geometry: Geometry, readable: Bools) -> NDArray[np.int64]:
    """Flags of a push from its energy profile: bubble signs, and loss of the echo.

    Parameters
    ----------
    energy : ndarray, shape (push, depth_bin)
        [squared counts].
    depth : ndarray, shape (depth_bin,)
        [m].
    geometry : Geometry
    readable : ndarray of bool, shape (push,)

    Returns
    -------
    ndarray of int64, shape (push,)

    Notes
    -----
    Bubble: a bin inside the sample, a third of a millimetre or more from base and lid, 20 times (13 dB) brighter than
    the median of the bins there. Weak echo: total energy below a tenth of the median of the five readable pushes
    before (coupling lost).
    """
    flags = np.zeros(energy.shape[0], np.int64)
    height = np.array([geometry.height(float(z)) for z in depth])
    inside = (height > 3.3e-4) & (height < geometry.well_depth - 3.3e-4)
    if inside.sum() >= 4:
        part = energy[:, inside]
        middle = np.median(part, axis=1)
        bright = part.max(axis=1) > 20.0 * middle
        flags |= np.where(readable & bright & (middle > 0), int(PushFlag.BUBBLE), 0)
        total = np.where(readable, middle, np.nan)
        weak = readable & (total < 0.1 * _median_before(total, 5))
        flags |= np.where(weak, int(PushFlag.WEAK_ECHO), 0)
    return flags


def _median_before(value: Floats, reach: int) -> Floats:
    """Median of the known ones among the `reach` values before each; NaN where there is none."""
    filled = np.concatenate([np.full(reach, np.nan), value])
    past = np.sort(np.lib.stride_tricks.sliding_window_view(filled, reach)[: value.size], axis=1)
    known = np.isfinite(past).sum(axis=1)
    row = np.arange(value.size)
    # Unknown values sort last; with none known this reads one of them.
    return np.asarray(0.5 * (past[row, np.maximum(known - 1, 0) // 2] + past[row, known // 2]), dtype=np.float64)
