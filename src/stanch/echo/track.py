"""Echoes of one well to its displacement record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.echo import autocorrelation, correlation, quality, speckle
from stanch.echo.bound import independent_samples
from stanch.echo.demodulate import Band, design_band
from stanch.echo.frames import Gate, Tracked, choose_gate, join
from stanch.echo.noise import Level, elapsed_walk, noise_level, noise_model
from stanch.echo.records import Displacement, PushFlag
from stanch.echo.weighting import Weighting, choose_weighting, plain_weighting, realised
from stanch.errors import InputError
from stanch.recording.records import Acquisition, Geometry

__all__ = ["TrackSettings", "track"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TrackSettings:
    """How displacement is tracked.

    Parameters
    ----------
    estimator : str
        ``autocorrelation`` (two-dimensional) or ``correlation`` (normalised cross-correlation).
    gate_start, gate_end : float or None
        Ends of the gate, beam depth [m]; None: focus -/+ 0.8 push lengths, clipped to line and sample.
    reference : str
        ``fixed`` (mean pre-push line), ``progressive`` (the frame before, gates following) or ``auto``: fixed until the
        coherence with it falls.
    bandwidth : float
        Full width of the receive band at half amplitude over the centre frequency [-].
    change_over : float
        ``auto`` changes where the squared coherence with the reference falls below this part of that between
        neighbouring frames [-].
    weighting : str
        ``well``: frequencies weighted for the noise and shear seen in this well; ``plain``: by their energy.
    sub_sample : str
        ``cosine`` or ``parabola``, for the ``correlation`` estimator.
    threads : int
        Threads per block of pushes.
    """

    estimator: Literal["autocorrelation", "correlation"] = "autocorrelation"
    gate_start: float | None = None
    gate_end: float | None = None
    reference: Literal["auto", "fixed", "progressive"] = "auto"
    bandwidth: float = 1.2
    change_over: float = 0.9
    weighting: Literal["well", "plain"] = "well"
    sub_sample: Literal["cosine", "parabola"] = "cosine"
    threads: int = 1

    def __post_init__(self) -> None:
        for name, allowed in (
            ("estimator", ("autocorrelation", "correlation")),
            ("reference", ("auto", "fixed", "progressive")),
            ("weighting", ("well", "plain")),
            ("sub_sample", ("cosine", "parabola")),
        ):
            if getattr(self, name) not in allowed:
                raise InputError(name, got=getattr(self, name), allowed=", ".join(allowed))
        if not 0 < self.change_over < 1:
            raise InputError("change_over", got=self.change_over, allowed="between 0 and 1")
        if self.threads < 1:
            raise InputError("threads", got=self.threads, allowed="1 or more")


def _blocks(blocks: Iterable[ArrayLike] | NDArray[Any]) -> Iterator[NDArray[Any]]:
    if isinstance(blocks, np.ndarray):
        step = max(1, 32_000_000 // max(1, blocks[:1].nbytes))
        for at in range(0, len(blocks), step):
            yield blocks[at : at + step]
    else:
        for block in blocks:
            yield np.asarray(block)


def _check_block(block: NDArray[Any], frames: int, form: str) -> NDArray[Any]:
    wanted = 3 if form == "rf" else 4
    shape = "(push, frame, sample)" if form == "rf" else "(push, frame, sample, 2)"
    if block.ndim != wanted or (form == "iq" and block.shape[-1] != 2):
        raise InputError("echo", got=block.shape, allowed=shape, do="Check the dimension order and the echo form.")
    if block.shape[1] != frames:
        raise InputError("echo", got=block.shape, allowed=f"{shape} with {frames} frames, one for each frame time")
    if block.dtype.kind not in "if" or block.dtype.itemsize > 8:
        raise InputError("echo", got=str(block.dtype), allowed="int16, int32, float32 or float64")
    return np.ascontiguousarray(block.astype(block.dtype.newbyteorder("="), copy=False))


def track(
    blocks: Iterable[ArrayLike] | NDArray[Any],
    push_time: ArrayLike,
    frame_time: ArrayLike,
    acquisition: Acquisition,
    geometry: Geometry,
    settings: TrackSettings = TrackSettings(),
) -> Displacement:
    """Track the displacement of every push of one well.

    Parameters
    ----------
    blocks : ndarray or iterable of ndarray, shape (push, frame, sample), ``iq``: (push, frame, sample, 2)
        Echoes, whole or in blocks of consecutive pushes [counts].
    push_time : array_like, shape (push,)
        Since the well's activation [s].
    frame_time : array_like, shape (frame,)
        From the start of the push, pre-push frames (negative) included [s].
    acquisition : Acquisition
    geometry : Geometry
    settings : TrackSettings

    Returns
    -------
    Displacement
        Of the frames after the pre-push ones; positive away from the transducer.

    Raises
    ------
    InputError
        If shapes and times do not fit or the gate is outside the line.
    """
    pushes_at = np.asarray(push_time, dtype=float)
    frames_at = np.asarray(frame_time, dtype=float)
    before = acquisition.frames_before_push
    if frames_at.ndim != 1 or frames_at.size <= before:
        raise InputError("frame_time", got=frames_at.shape, allowed=f"more than the {before} frames before the push")
    if not (np.isfinite(frames_at).all() and (np.diff(frames_at) > 0).all()):
        raise InputError("frame_time", allowed="finite times that rise", do="Sort the frames by time.")
    band = design_band(acquisition, settings.bandwidth)
    parts: list[Tracked] = []
    gate: Gate | None = None
    samples = 0
    for raw in _blocks(blocks):
        block = _check_block(raw, frames_at.size, acquisition.echo_form)
        if gate is None:
            samples = block.shape[2]
            gate = choose_gate(samples, band, acquisition, geometry, settings.gate_start, settings.gate_end)
        elif block.shape[2] != samples:
            raise InputError("echo", got=block.shape, allowed=f"{samples} samples per line, as in the first block")
        if block.shape[0] > 0:
            parts.append(_estimate(block, band, gate, acquisition, settings))
    if gate is None or not parts:
        raise InputError("echo", got="no pushes", allowed="one push or more")
    tracked = join(parts)
    if tracked.shift.shape[0] != pushes_at.size:
        raise InputError("push_time", got=f"{pushes_at.size} times", allowed=f"{tracked.shift.shape[0]}, one a push")
    return _assemble(tracked, pushes_at, frames_at, band, gate, acquisition, geometry, settings)


def _estimate(
    block: NDArray[Any], band: Band, gate: Gate, acquisition: Acquisition, settings: TrackSettings
) -> Tracked:
    if settings.estimator == "correlation":
        return correlation.track_block(block, band, gate, acquisition, settings.reference, settings.sub_sample)
    return autocorrelation.track_block(
        block, band, gate, acquisition, settings.reference, settings.change_over, settings.threads
    )


def _weigh(
    tracked: Tracked, level: Level, kept: NDArray[np.bool_], band: Band, before: int, settings: TrackSettings
) -> Weighting:
    """The frequency weighting of the well."""
    carrier = 2 * np.pi * band.reference / band.rate
    usable = tracked.readable & (np.abs(tracked.reference) ** 2).any(axis=1) & kept[:, before:].any(axis=1)
    if settings.weighting == "plain" or not usable.any() or not np.abs(tracked.lags).any():
        return plain_weighting(tracked.reference[usable], (level.share / level.used)[usable], band)
    moved = np.where(kept, np.abs(tracked.shift), 0.0)
    moved[:, :before] = 0.0
    at = np.argmax(moved, axis=1)
    row = np.arange(at.size)
    both = (1.0 + level.share) * (1.0 + level.share / level.used)
    lost = np.clip(1.0 - tracked.with_reference[row, at] * both, 0.0, 1.0)
    # Along a chain the noise cancels but for both ends while the speckle weighting adds up: as if seen in one step.
    largest = moved[row, at]
    lost = np.where(tracked.chained, level.shear * largest**2, lost)
    return choose_weighting(
        tracked.reference[usable], level.share[usable], largest[usable], lost[usable], level.used[usable], band, carrier
    )


def _refine(
    tracked: Tracked, weighting: Weighting, slope: Floats, kept: NDArray[np.bool_], spacing: float, before: int
) -> Floats:
    """Shifts under the weighting: what phase is left in the weighted lags, added up along a chain [m]."""
    phase = np.angle(tracked.lags @ weighting.lags.astype(np.complex64)).astype(np.float64)
    rest = np.where(kept, phase / slope[:, None] * spacing, 0.0)
    chain = rest.copy()
    chain[:, before:] = np.cumsum(rest[:, before:], axis=1)
    return tracked.shift + np.where(tracked.chained[:, None], chain, rest)


def _assemble(
    tracked: Tracked,
    push_time: Floats,
    frame_time: Floats,
    band: Band,
    gate: Gate,
    acquisition: Acquisition,
    geometry: Geometry,
    settings: TrackSettings,
) -> Displacement:
    before = acquisition.frames_before_push
    carrier = 2 * np.pi * band.reference / band.rate
    decorrelated = tracked.good & (tracked.coherence < 0.25)
    kept = tracked.good & ~decorrelated
    level = noise_level(tracked, band, before, frame_time)
    share = level.share / level.used
    weighting = _weigh(tracked, level, kept, band, before, settings)
    plain = independent_samples(tracked.reference, band.noise)
    slope, draws, local = realised(weighting, tracked.beyond, tracked.centre, plain)
    noise = noise_model(tracked, level, slope, draws, band.spacing, before)
    shift = _refine(tracked, weighting, slope, kept, band.spacing, before)
    drift = quality.remove_drift(shift, kept, frame_time, before, noise.sd, noise.shared_sd)

    readable = tracked.readable
    energy, energy_depth = speckle.energy_profile(tracked.line, band.spacing, acquisition.first_sample_depth)
    flags = quality.frame_flags(tracked.signs, decorrelated, readable)
    flags |= np.where(drift.significant, int(PushFlag.DRIFT), 0)
    flags |= quality.line_flags(energy, energy_depth, geometry, readable)
    noisy = np.median(noise.sd, axis=1) * slope / band.spacing > 0.5
    flags |= np.where(readable & noisy, int(PushFlag.WEAK_ECHO), 0)

    cells = max(1.5, weighting.cells(speckle.even_length(tracked.reference[readable], share[readable])))
    lead = gate.first // band.decimation
    inside = slice(lead, lead + gate.count)
    walk = elapsed_walk(level, frame_time, slope, cells, band.spacing, before)
    motion = speckle.slow_motion(tracked.line, inside, readable, carrier, band.spacing, cells)
    weight = kept[:, before:].astype(float)
    counted = np.maximum(weight.sum(axis=1), 1.0)
    return Displacement(
        push_time=push_time,
        frame_time=frame_time[before:],
        value=np.where(weight > 0, drift.shift[:, before:], 0.0),
        sd=noise.sd,
        step_sd=np.sqrt(noise.step_sd**2 + drift.step_variance + walk**2),
        shared_sd=noise.shared_sd,
        weight=weight,
        depth=gate.depth,
        sensitivity=local,
        speckle_cells=np.full(push_time.size, cells),
        coherence=np.sqrt((weight * tracked.coherence[:, before:]).sum(axis=1) / counted),
        link=speckle.link(tracked.reference, readable, motion, share, carrier, band.spacing, cells),
        slow_shift=motion.shift,
        slow_coherence=motion.coherence,
        zone_coherence=motion.zones,
        energy=energy,
        energy_depth=energy_depth,
        flags=flags.astype(np.int64),
        estimator=settings.estimator,
    )
