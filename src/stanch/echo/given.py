"""Recordings that start at displacement traces: the same record, without what only echoes can tell."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.echo import quality
from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError
from stanch.recording.records import Acquisition, Geometry

__all__ = ["from_displacement"]

Floats = NDArray[np.float64]


def from_displacement(
    value: ArrayLike,
    push_time: ArrayLike,
    frame_time: ArrayLike,
    acquisition: Acquisition,
    geometry: Geometry,
    sd: ArrayLike | None = None,
    link: ArrayLike | None = None,
    speckle_cells: float | None = None,
) -> Displacement:
    """Displacement record of one well from finished traces.

    Parameters
    ----------
    value : array_like, shape (push, frame)
        Positive away from the transducer, pre-push frames included; NaN is a missing frame [m].
    push_time : array_like, shape (push,)
        Since the well's activation [s].
    frame_time : array_like, shape (frame,)
        From the start of the push, pre-push frames included [s].
    acquisition : Acquisition
    geometry : Geometry
    sd : array_like, optional
        Of one frame, broadcast to (push, frame after the push) [m]; estimated from the traces when not given.
    link : array_like, shape (push, push), optional
        Squared coherence of the pre-push lines; None when unknown [-].
    speckle_cells : float, optional
        Independent speckle cells in the gate [-]; infinite (no speckle weighting) when not given.

    Returns
    -------
    Displacement
        The mean of the pre-push frames is taken out; its noise is the shared one.

    Raises
    ------
    InputError
        If shapes do not fit or the noise is not positive.

    Notes
    -----
    The noise is estimated from third differences of neighbouring frames in the last two thirds of each trace, which a
    smooth movement does not reach; median absolute deviation, averaged over nine neighbouring pushes by the median.
    Where the spacing of frames varies, those that lie closest together tell it, as long as there are eight.
    """
    x = np.asarray(value, dtype=float)
    pushes_at, frames_at = np.asarray(push_time, dtype=float), np.asarray(frame_time, dtype=float)
    before = acquisition.frames_before_push
    if x.ndim != 2 or x.shape != (pushes_at.size, frames_at.size):
        raise InputError("displacement", got=x.shape, allowed=f"({pushes_at.size}, {frames_at.size}): (push, frame)")
    if frames_at.size <= before or not (np.diff(frames_at) > 0).all():
        raise InputError("frame_time", got=frames_at.size, allowed=f"more than {before} times that rise")
    good = np.isfinite(x)
    filled = np.where(good, x, 0.0)
    number = good[:, :before].sum(axis=1)
    readable = number > 0
    base = filled[:, :before].sum(axis=1) / np.maximum(number, 1)
    shift = np.where(good, filled - base[:, None], 0.0)
    good &= readable[:, None]
    after = frames_at.size - before
    noise = (
        _noise(shift[:, before:], good[:, before:], frames_at[before:]) if sd is None else np.asarray(sd, dtype=float)
    )
    noise = np.broadcast_to(noise[:, None] if noise.ndim == 1 and noise.size != after else noise, (x.shape[0], after))
    if not (np.isfinite(noise).all() and (noise > 0).all()):
        raise InputError("sd", got=float(np.min(noise)), allowed="positive finite displacements [m]")
    shared = np.median(noise, axis=1) / np.sqrt(np.maximum(number, 1))
    signs = np.where(np.isfinite(x), 0, 8).astype(np.uint8)
    flags = quality.frame_flags(signs, np.zeros_like(good), readable)
    drift = quality.remove_drift(shift, good, frames_at, before, noise, shared)
    flags |= np.where(drift.significant, int(PushFlag.DRIFT), 0)
    weight = good[:, before:].astype(float)
    pushes = x.shape[0]
    wanted = 0.8 * geometry.push_length
    ends = sorted(_depth_at(geometry, h) for h in (0.0, geometry.well_depth))
    depth = np.linspace(max(-wanted, ends[0]), min(wanted, ends[1]), 33)
    return Displacement(
        push_time=pushes_at,
        frame_time=frames_at[before:],
        value=np.where(weight > 0, drift.shift[:, before:], 0.0),
        sd=np.array(noise),
        step_sd=np.sqrt(drift.step_variance),
        shared_sd=shared,
        weight=weight,
        depth=depth,
        sensitivity=np.full((pushes, depth.size), 1.0 / depth.size),
        speckle_cells=np.full(pushes, np.inf if speckle_cells is None else float(speckle_cells)),
        coherence=np.ones(pushes),
        link=None if link is None else _checked_link(link, pushes),
        slow_shift=np.zeros(pushes),
        slow_coherence=np.zeros(pushes),
        zone_coherence=np.zeros((pushes, 0)),
        energy=np.zeros((pushes, 0)),
        energy_depth=np.zeros(0),
        flags=flags,
        estimator="given",
    )


def _depth_at(geometry: Geometry, height: float) -> float:
    up = height - geometry.focus_height
    return up if geometry.beam_from == "base" else -up


def _checked_link(link: ArrayLike, pushes: int) -> Floats:
    matrix = np.asarray(link, dtype=float)
    if matrix.shape != (pushes, pushes) or not np.allclose(matrix, matrix.T) or not np.allclose(np.diag(matrix), 1.0):
        raise InputError("link", got=matrix.shape, allowed=f"symmetric ({pushes}, {pushes}) with 1 on the diagonal")
    return matrix


def _thirds(time: Floats) -> Floats:
    """Weights of four neighbouring frames that leave out every parabola and keep the variance of white noise."""
    node = np.stack([time[k : time.size - 3 + k] for k in range(4)])
    apart = node[:, None] - node[None, :]
    apart[range(4), range(4)] = 1.0
    weight = 1.0 / apart.prod(axis=1)
    out: Floats = weight / np.sqrt(np.sum(weight**2, axis=0))
    return out


def _noise(shift: Floats, good: NDArray[np.bool_], time: Floats) -> Floats:
    late = shift.shape[1] // 3
    if shift.shape[1] - late < 8:
        raise InputError("sd", got=None, allowed="a noise level, since the traces are too short to tell it")
    x = np.where(good, shift, np.nan)[:, late:]
    span = time[late + 3 :] - time[late:-3]
    close = span < 1.5 * span.min()
    if np.count_nonzero(close) < 8:
        close[:] = True
    weight = _thirds(time[late:])
    third = sum(weight[k] * x[:, k : x.shape[1] - 3 + k] for k in range(4))[:, close]
    known = np.isfinite(third)
    enough = known.sum(axis=1) >= 5
    level = np.full(x.shape[0], np.nan)
    if enough.any():
        level[enough] = np.nanmedian(np.abs(third[enough]), axis=1) / 0.6744897501960817
    if not np.isfinite(level).any():
        raise InputError("sd", got=None, allowed="a noise level, since too many frames are missing to tell it")
    overall = float(np.nanmedian(level))
    out = np.empty(x.shape[0])
    for push in range(x.shape[0]):
        near = level[max(0, push - 4) : push + 5]
        near = near[np.isfinite(near)]
        out[push] = np.median(near) if near.size else overall
    smallest = 1e-6 * max(float(np.max(np.abs(shift))), 1e-12)
    return np.repeat(np.maximum(out, smallest)[:, None], shift.shape[1], axis=1)
