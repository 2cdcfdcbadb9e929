"""The noise model of tracked displacement: what coherence says about the random error of each frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.echo.bound import independent_samples, noise_from_coherence, phase_variance
from stanch.echo.demodulate import Band
from stanch.echo.frames import Tracked

__all__ = ["Level", "Noise", "elapsed_walk", "noise_level", "noise_model"]

Floats = NDArray[np.float64]

FAR = 2.0
"""Distance of frames over the least from which on the time between them is told from noise [-]."""

SEEN = 1.0
"""Standard errors from which on a loss with time counts as seen [-]."""


@dataclass(frozen=True)
class Level:
    """Noise and shear of each push, from the coherence of neighbouring frames.

    Parameters
    ----------
    share : ndarray, shape (push,)
        Noise over echo energy of one frame [-].
    shear : ndarray, shape (push,)
        Decorrelated share of the energy per squared movement between frames [1/m^2].
    excess : ndarray, shape (push, frame)
        Noise beyond `share` of single bad frames [-].
    used : ndarray, shape (push,)
        Pre-push frames in the reference, at least 1 [-].
    rate : ndarray, shape (push,)
        Coherence lost per time between frames by scatterers that change; 0 where it is not seen [1/s].
    """

    share: Floats
    shear: Floats
    excess: Floats
    used: Floats
    rate: Floats


@dataclass(frozen=True)
class Noise:
    """The noise model of the frames after the push; see :class:`~stanch.echo.records.Displacement` [m]."""

    sd: Floats
    step_sd: Floats
    shared_sd: Floats


def noise_level(tracked: Tracked, band: Band, before: int, frame_time: Floats | None = None) -> Level:
    """Split the loss of coherence between neighbouring frames into noise and shear.

    Parameters
    ----------
    tracked : Tracked
    band : Band
    before : int
        Pre-push frames.
    frame_time : ndarray, shape (frame,), optional
        Where frames lie more than twice as far apart as the closest, what is lost with time is told from noise [s].

    Returns
    -------
    Level

    Notes
    -----
    Noise is the loss extrapolated to no movement between the frames. What shear takes is the speckle weighting, which
    the model of the displacement carries itself; as noise it would be counted twice. A frame is worse than its push
    only where it is unlike both neighbours by more than three times what is expected.
    """
    good = tracked.good
    draws = independent_samples(tracked.reference, band.noise)[:, None]
    pair = noise_from_coherence(tracked.with_previous, draws)
    known = good & (tracked.with_previous > 0)
    square = _steps(tracked) ** 2
    share, shear = _intercept(pair, square, known)
    expected = share[:, None] + shear[:, None] * square
    gap = None if frame_time is None else np.diff(frame_time, prepend=frame_time[0])
    rate = np.zeros(share.size) if gap is None else _rate(pair - expected, expected, known, gap, draws, before)
    if gap is not None:
        expected = expected + rate[:, None] * gap
    after = np.full_like(pair, np.inf)
    after[:, :-1] = np.where(known[:, 1:], (pair - expected)[:, 1:], np.inf)
    own = np.where(known, pair - expected, np.inf)
    excess = np.minimum(own, after)
    # A pair shows the mean of its two frames' noise.
    excess = np.where(np.isfinite(excess) & (excess > 3.0 * expected), 2.0 * excess, 0.0)
    used = np.maximum(good[:, :before].sum(axis=1), 1).astype(float)
    # The pair loses `shear` times the squared movement, and (1/|c| - 1) is half the decorrelated share.
    return Level(share, 2.0 * shear, excess, used, rate)


def _rate(lost: Floats, expected: Floats, known: NDArray[np.bool_], gap: Floats, draws: Floats, before: int) -> Floats:
    """Loss per time, from frames far apart; 0 where chance would lose as much [1/s]."""
    # Not the pause in which the push is made: even frames are none the worse for it.
    far = (gap > FAR * np.min(gap[1:])) & (np.arange(gap.size) > before)
    if not far.any():
        return np.zeros(lost.shape[0])
    weight = np.where(known & far, gap, 0.0)
    total = np.maximum((weight * gap).sum(axis=1), 1e-300)
    rate = (weight * lost).sum(axis=1) / total
    # The loss of a pair scatters by its size over the root of the draws in the gate.
    chance = np.sqrt((weight**2 * expected**2 / draws).sum(axis=1)) / total
    return np.where(rate > SEEN * chance, rate, 0.0)


def elapsed_walk(level: Level, frame_time: Floats, slope: Floats, cells: float, spacing: float, before: int) -> Floats:
    """Standard deviation that changing scatterers add to each step of the displacement.

    Parameters
    ----------
    level : Level
    frame_time : ndarray, shape (frame,)
        Pre-push frames included [s].
    slope : ndarray, shape (push,)
        Phase of the weighted cross-correlation per baseband sample [rad].
    cells : float
        Independent speckle cells in the gate [-].
    spacing : float
        Depth between baseband samples [m].
    before : int
        Pre-push frames.

    Returns
    -------
    ndarray, shape (push, frame after the pre-push ones)
        [m].

    Notes
    -----
    Scatterers that have been replaced turn the phase at random and never turn it back: a walk, whose variance grows
    with the time since the reference. They have the spectrum of the echo, so as many draws as there are speckle cells.
    That they also weigh the movement anew is left out.
    """
    gap = np.diff(frame_time, prepend=frame_time[0])[before:]
    variance = phase_variance(2.0 * level.rate[:, None] * gap, np.full((1, 1), cells))
    return np.asarray(np.sqrt(variance) * (spacing / slope)[:, None])


def _steps(tracked: Tracked) -> Floats:
    """Movement between neighbouring frames [m]."""
    step = np.zeros_like(tracked.shift)
    step[:, 1:] = np.diff(tracked.shift, axis=1)
    return step


def noise_model(tracked: Tracked, level: Level, slope: Floats, draws: Floats, spacing: float, before: int) -> Noise:
    """Standard deviations of displacement.

    Parameters
    ----------
    tracked : Tracked
    level : Level
    slope : ndarray, shape (push,)
        Phase of the weighted cross-correlation per baseband sample [rad].
    draws : ndarray, shape (push,)
        Independent noise draws it averages over [-].
    spacing : float
        Depth between baseband samples [m].
    before : int
        Pre-push frames.

    Returns
    -------
    Noise

    Notes
    -----
    In a chain the noise of each frame enters two steps with opposite signs and cancels but for the last one; what adds
    up is the part of the speckle weighting that the reference line no longer shows.
    """
    per_metre = (slope / spacing) ** 2
    frame = (level.share[:, None] + level.excess) * (1.0 + level.share / level.used)[:, None]
    variance = phase_variance(frame, draws[:, None]) / per_metre[:, None]
    shared = phase_variance(level.share / level.used, draws) / per_metre
    kept = tracked.with_reference / np.maximum(tracked.with_previous, 1e-6)
    lost = np.clip(1.0 - kept, 0.0, 1.0)
    walk = phase_variance(level.shear[:, None] * _steps(tracked) ** 2 * lost, draws[:, None]) / per_metre[:, None]
    walk = np.where(tracked.chained[:, None] & tracked.good, walk, 0.0)
    return Noise(np.sqrt(variance)[:, before:], np.sqrt(walk)[:, before:], np.sqrt(shared))


def _intercept(value: Floats, square: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Robust fit of value = level + slope * square with both >= 0, row by row."""
    rows = known.any(axis=1)
    level = np.ones(value.shape[0])
    slope = np.zeros(value.shape[0])
    if rows.any():
        level[rows] = np.nanmedian(np.where(known, value, np.nan)[rows], axis=1)
    level = np.maximum(level, 1e-12)
    for _ in range(4):
        fit = level[:, None] + slope[:, None] * square
        weight = np.where(known & (value < 3.0 * fit), 1.0 / fit**2, 0.0)
        total = weight.sum(axis=1)
        some = np.where(total > 0, total, 1.0)
        s, ss = (weight * square).sum(axis=1), (weight * square**2).sum(axis=1)
        v, sv = (weight * value).sum(axis=1), (weight * square * value).sum(axis=1)
        det = total * ss - s**2
        ok = det > 1e-9 * total * ss
        slope = np.where(ok, np.maximum((total * sv - s * v) / np.where(ok, det, 1.0), 0.0), 0.0)
        fitted = np.maximum((v - slope * s) / some, 0.1 * v / some)
        level = np.maximum(np.where(total > 0, fitted, level), 1e-12)
    return level, slope
