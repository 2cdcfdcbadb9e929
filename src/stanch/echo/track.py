"""Echoes of one well to its displacement record."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.echo import quality, speckle
from stanch.echo.bound import independent_samples, noise_from_coherence, phase_variance
from stanch.echo.demodulate import Band, design_band
from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError
from stanch.recording.records import Acquisition, Geometry

__all__ = ["TrackSettings", "track"]

Floats = NDArray[np.float64]
MARGIN = 12
"""Baseband samples kept on either side of the gate, so that gates can follow the tissue."""


@dataclass(frozen=True)
class TrackSettings:
    """How displacement is tracked.

    Parameters
    ----------
    estimator : str
        ``autocorrelation`` (two-dimensional).
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
    sub_sample : str
        ``cosine`` or ``parabola``, for the ``correlation`` estimator.
    threads : int
        Threads per block of pushes.
    """

    estimator: Literal["autocorrelation"] = "autocorrelation"
    gate_start: float | None = None
    gate_end: float | None = None
    reference: Literal["auto", "fixed", "progressive"] = "auto"
    bandwidth: float = 0.8
    change_over: float = 0.9
    sub_sample: Literal["cosine", "parabola"] = "cosine"
    threads: int = 1

    def __post_init__(self) -> None:
        for name, allowed in (
            ("estimator", ("autocorrelation",)),
            ("reference", ("auto", "fixed", "progressive")),
            ("sub_sample", ("cosine", "parabola")),
        ):
            if getattr(self, name) not in allowed:
                raise InputError(name, got=getattr(self, name), allowed=", ".join(allowed))
        if not 0 < self.change_over < 1:
            raise InputError("change_over", got=self.change_over, allowed="between 0 and 1")
        if self.threads < 1:
            raise InputError("threads", got=self.threads, allowed="1 or more")


@dataclass(frozen=True)
class Gate:
    """The tracking gate on one line.

    Parameters
    ----------
    first : int
        Input sample of the first baseband sample of the gate.
    count : int
        Baseband samples in the gate.
    depth : ndarray, shape (count,)
        [m].
    """

    first: int
    count: int
    depth: Floats


@dataclass
class Traces:
    """What an estimator returns for a block, before the noise model.

    Parameters
    ----------
    shift : ndarray, shape (push, frame)
        Against the reference, pre-push frames included [m].
    with_reference, with_previous : ndarray, shape (push, frame)
        Squared coherence after shift compensation [-].
    reference : ndarray of complex64, shape (push, sample)
        Averaged pre-push baseband of the gate.
    slope : ndarray, shape (push,)
        Phase per metre of displacement at the local centre frequency [rad/m].
    chained : ndarray of bool, shape (push,)
        Whether the reference was progressive.
    readable : ndarray of bool, shape (push,)
        Whether there was a reference at all.
    signs : ndarray of uint8, shape (push, frame)
        1 saturated, 2 constant, 4 repeated, 8 not finite.
    line : ndarray of complex64, shape (push, sample)
        Averaged pre-push baseband of the whole line.
    """

    shift: Floats
    with_reference: Floats
    with_previous: Floats
    reference: NDArray[np.complex64]
    slope: Floats
    chained: NDArray[np.bool_]
    readable: NDArray[np.bool_]
    signs: NDArray[np.uint8]
    line: NDArray[np.complex64]


def choose_gate(
    samples: int, band: Band, acquisition: Acquisition, geometry: Geometry, settings: TrackSettings
) -> Gate:
    """Place the gate on the baseband grid, inside the line and the sample.

    Notes
    -----
    0.8 push lengths either side of the focus is where exp(-(z/L)^2) has fallen to 0.53: further out the movement is
    small, adds little to the estimate and depends more on the far field of the push, which is known less well.
    """
    spacing = acquisition.sample_spacing
    reach = band.taps.size // 2 * spacing
    low = acquisition.first_sample_depth + reach
    high = acquisition.first_sample_depth + (samples - 1) * spacing - reach
    if geometry.beam_from == "base":
        inside = (-geometry.focus_height, geometry.well_depth - geometry.focus_height)
    else:
        inside = (geometry.focus_height - geometry.well_depth, geometry.focus_height)
    low, high = max(low, inside[0] + reach), min(high, inside[1] - reach)
    wanted = 0.8 * geometry.push_length
    start = -wanted if settings.gate_start is None else settings.gate_start
    end = wanted if settings.gate_end is None else settings.gate_end
    start, end = max(start, low), min(end, high)
    first = int(np.ceil((start - acquisition.first_sample_depth) / spacing - 1e-9))
    count = int(np.floor((end - start) / band.spacing + 1e-9)) + 1 if end > start else 0
    if count < 6:
        raise InputError(
            "tracking gate",
            got=f"{start * 1e3:.3f} to {end * 1e3:.3f} mm",
            allowed=f"at least {6 * band.spacing * 1e3:.2f} mm inside {low * 1e3:.3f} to {high * 1e3:.3f} mm",
            do="Check first_sample_depth, focus_height and the gate.",
        )
    depth = acquisition.first_sample_depth + spacing * (first + band.decimation * np.arange(count, dtype=float))
    return Gate(first, count, np.asarray(depth, dtype=np.float64))


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


def _empty(pushes: int, frames: int, gate: int, line: int) -> dict[str, NDArray[Any]]:
    return {
        "shift": np.zeros((pushes, frames)),
        "with_reference": np.zeros((pushes, frames)),
        "with_previous": np.zeros((pushes, frames)),
        "reference": np.zeros((pushes, 2, gate), np.float32),
        "centre": np.zeros(pushes),
        "used": np.zeros(pushes, np.int64),
        "signs": np.zeros((pushes, frames), np.uint8),
        "line": np.zeros((pushes, 2, line), np.float32),
    }


def autocorrelation_traces(
    block: NDArray[Any], band: Band, gate: Gate, acquisition: Acquisition, settings: TrackSettings
) -> Traces:
    """Track one block with the compiled two-dimensional autocorrelation estimator."""
    from stanch.echo.kernel import track_iq, track_rf

    samples = block.shape[2]
    fs = acquisition.sampling_rate
    window = gate.count + 2 * MARGIN
    first = gate.first - MARGIN * band.decimation
    lines = -(-samples // band.decimation)
    out = _empty(block.shape[0], block.shape[1], gate.count, lines)

    def turn(start: int, count: int) -> NDArray[np.float32]:
        angle = -2 * np.pi * band.offset * (start + band.decimation * np.arange(count)) / fs
        return np.stack([np.cos(angle), np.sin(angle)]).astype(np.float32)

    padding = (-band.taps.size) % 8
    taps = np.concatenate([band.taps.conj(), np.zeros(padding, np.complex64)])
    carrier = 2 * np.pi * band.reference / band.rate
    clip = float(np.iinfo(block.dtype).max) if block.dtype.kind == "i" else float("inf")
    run = track_rf if acquisition.echo_form == "rf" else track_iq
    modes = {"auto": 0, "fixed": 1, "progressive": 2}

    def work(part: slice) -> None:
        run(
            block[part],
            acquisition.frames_before_push,
            np.ascontiguousarray(taps.real),
            np.ascontiguousarray(taps.imag),
            band.decimation,
            turn(first, window),
            first,
            MARGIN,
            gate.count,
            carrier,
            band.table,
            MARGIN - 5,
            modes[settings.reference],
            settings.change_over,
            clip,
            turn(0, lines),
            out["shift"][part],
            out["with_reference"][part],
            out["with_previous"][part],
            out["reference"][part],
            out["centre"][part],
            out["used"][part],
            out["signs"][part],
            out["line"][part],
        )

    spread(work, block.shape[0], settings.threads)
    used = out["used"]
    return Traces(
        shift=out["shift"] * band.spacing,
        with_reference=out["with_reference"],
        with_previous=out["with_previous"],
        reference=_complex(out["reference"]),
        slope=(carrier + out["centre"]) / band.spacing,
        chained=used == 2,
        readable=used > 0,
        signs=out["signs"],
        line=_complex(out["line"]),
    )


def spread(work: Any, pushes: int, threads: int) -> None:
    """Run `work` on slices of the pushes, in threads when asked."""
    if threads == 1 or pushes < 2 * threads:
        work(slice(0, pushes))
        return
    edges = np.linspace(0, pushes, threads + 1).round().astype(int)
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, [slice(a, b) for a, b in itertools.pairwise(edges)]))


def _complex(parts: NDArray[np.float32]) -> NDArray[np.complex64]:
    joined: NDArray[np.complex64] = (parts[:, 0] + 1j * parts[:, 1]).astype(np.complex64)
    return joined


@dataclass(frozen=True)
class Noise:
    """The noise model of a block; see :class:`~stanch.echo.records.Displacement`."""

    sd: Floats
    step_sd: Floats
    shared_sd: Floats
    level: Floats


def noise_model(traces: Traces, good: NDArray[np.bool_], band: Band, before: int) -> Noise:
    """Standard deviations from coherence.

    Parameters
    ----------
    traces : Traces
    good : ndarray of bool, shape (push, frame)
        Frames that count.
    band : Band
    before : int
        Pre-push frames.

    Returns
    -------
    Noise
        ``level`` is the noise-to-echo energy of one frame [-].

    Notes
    -----
    Noise is taken from the coherence of neighbouring frames, extrapolated to no movement between them: what shear
    takes from the coherence is the speckle weighting, which the model of the displacement carries itself, and would
    be counted twice. In a chain the noise of each frame enters two steps with opposite signs and cancels but for
    the last one; what adds up is the part of the speckle weighting that the reference line does not show.
    """
    independent = independent_samples(traces.reference, band.noise)
    draws = independent[:, None]
    pair = noise_from_coherence(traces.with_previous, draws)
    known = good & (traces.with_previous > 0)
    step = np.zeros_like(traces.shift)
    step[:, 1:] = np.diff(traces.shift, axis=1)
    square = (step * traces.slope[:, None]) ** 2
    level, shear = _intercept(pair, square, known)
    used = np.maximum(good[:, :before].sum(axis=1), 1)
    expected = level[:, None] + shear[:, None] * square
    after = np.full_like(pair, np.inf)
    after[:, :-1] = np.where(known[:, 1:], (pair - expected)[:, 1:], np.inf)
    own = np.where(known, pair - expected, np.inf)
    excess = np.minimum(own, after)
    excess = np.where(np.isfinite(excess) & (excess > 3.0 * expected), excess, 0.0)
    frame = level[:, None] + excess
    per_metre = traces.slope[:, None] ** 2
    variance = phase_variance(frame * (1.0 + level[:, None] / used[:, None]), draws) / per_metre
    shared = phase_variance(level / used, independent) / traces.slope**2
    lost = np.clip(1.0 - traces.with_reference / np.maximum(traces.with_previous, 1e-6), 0.0, 1.0)
    walk = phase_variance(2.0 * shear[:, None] * square * lost, draws) / per_metre
    walk = np.where(traces.chained[:, None], walk, 0.0)
    return Noise(
        sd=np.sqrt(variance)[:, before:],
        step_sd=np.sqrt(walk)[:, before:],
        shared_sd=np.sqrt(shared),
        level=level,
    )


def _intercept(value: Floats, square: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Robust fit of value = level + slope * square with both >= 0, row by row."""
    counted = known.sum(axis=1)
    filled = np.where(known, value, np.nan)
    rows = counted > 0
    level = np.full(value.shape[0], 1.0)
    slope = np.zeros(value.shape[0])
    level[rows] = np.nanmedian(filled[rows], axis=1)
    level = np.maximum(level, 1e-12)
    for _ in range(4):
        fit = level[:, None] + slope[:, None] * square
        ratio = value / fit
        weight = np.where(known & (ratio < 3.0), 1.0 / fit**2, 0.0)
        total = weight.sum(axis=1)
        s, ss = (weight * square).sum(axis=1), (weight * square**2).sum(axis=1)
        v, sv = (weight * value).sum(axis=1), (weight * square * value).sum(axis=1)
        det = total * ss - s**2
        ok = det > 1e-9 * total * ss
        safe = np.where(ok, det, 1.0)
        slope = np.where(ok, np.maximum((total * sv - s * v) / safe, 0.0), 0.0)
        level = np.where(total > 0, (v - slope * s) / np.where(total > 0, total, 1.0), level)
        smallest = np.where(total > 0, 0.1 * v / np.where(total > 0, total, 1.0), level)
        level = np.maximum(np.maximum(level, smallest), 1e-12)
    return level, slope


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
    parts: list[tuple[Traces, Noise, NDArray[np.bool_]]] = []
    gate: Gate | None = None
    samples = 0
    for raw in _blocks(blocks):
        block = _check_block(raw, frames_at.size, acquisition.echo_form)
        if gate is None:
            samples = block.shape[2]
            gate = choose_gate(samples, band, acquisition, geometry, settings)
        elif block.shape[2] != samples:
            raise InputError("echo", got=block.shape, allowed=f"{samples} samples per line, as in the first block")
        if block.shape[0] == 0:
            continue
        traces = _traces(block, band, gate, acquisition, settings)
        good = (traces.signs == 0) & traces.readable[:, None]
        parts.append((traces, noise_model(traces, good, band, before), good))
    if gate is None or not parts:
        raise InputError("echo", got="no pushes", allowed="one push or more")
    return _assemble(parts, pushes_at, frames_at, band, gate, acquisition, geometry, settings)


def _traces(block: NDArray[Any], band: Band, gate: Gate, acquisition: Acquisition, settings: TrackSettings) -> Traces:
    return autocorrelation_traces(block, band, gate, acquisition, settings)


def _assemble(
    parts: list[tuple[Traces, Noise, NDArray[np.bool_]]],
    push_time: Floats,
    frame_time: Floats,
    band: Band,
    gate: Gate,
    acquisition: Acquisition,
    geometry: Geometry,
    settings: TrackSettings,
) -> Displacement:
    before = acquisition.frames_before_push

    def join(name: str, at: int = 0) -> NDArray[Any]:
        return np.concatenate([getattr(p[at], name) for p in parts])

    shift, signs, line = join("shift"), join("signs"), join("line")
    if shift.shape[0] != push_time.size:
        raise InputError("push_time", got=f"{push_time.size} times", allowed=f"{shift.shape[0]}, one for each push")
    good = np.concatenate([p[2] for p in parts])
    coherence = np.where(join("chained")[:, None], join("with_previous"), join("with_reference"))
    reference, slope, readable, level = join("reference"), join("slope"), join("readable"), join("level", 1)
    sd, step_sd, shared_sd = join("sd", 1), join("step_sd", 1), join("shared_sd", 1)

    decorrelated = good & (coherence < 0.25)
    flags = quality.frame_flags(signs, decorrelated, readable)
    kept = good & ~decorrelated
    drift = quality.remove_drift(shift, kept, frame_time, before, sd, shared_sd)
    flags |= np.where(drift.significant, int(PushFlag.DRIFT), 0)
    step_sd = np.sqrt(step_sd**2 + drift.step_variance)
    weight = kept[:, before:].astype(float)
    value = np.where(weight > 0, drift.shift[:, before:], 0.0)

    used = np.maximum(good[:, :before].sum(axis=1), 1)
    noise_share = level / used
    cells = speckle.effective_cells(reference[readable], band.noise, 1.0 / np.maximum(noise_share[readable], 1e-9))
    energy, energy_depth = speckle.energy_profile(line, band.spacing, acquisition.first_sample_depth)
    lead = gate.first // band.decimation
    inside = slice(lead, lead + gate.count)
    carrier = 2 * np.pi * band.reference / band.rate
    motion = speckle.slow_motion(line, inside, readable, carrier, band.spacing, cells)
    linked = speckle.link(reference, readable, motion, noise_share, carrier, band.spacing, cells)
    per_sample = np.mean(np.abs(reference) ** 2, axis=1)
    weights = speckle.sensitivity(reference, per_sample * noise_share / (1.0 + noise_share))
    flags |= quality.line_flags(energy, energy_depth, geometry, readable)
    noise_limit = np.median(sd, axis=1) * slope > 0.5
    flags |= np.where(readable & noise_limit, int(PushFlag.WEAK_ECHO), 0)
    counted = np.maximum(weight.sum(axis=1), 1.0)
    return Displacement(
        push_time=push_time,
        frame_time=frame_time[before:],
        value=value,
        sd=sd,
        step_sd=step_sd,
        shared_sd=shared_sd,
        weight=weight,
        depth=gate.depth,
        sensitivity=weights,
        speckle_cells=np.full(push_time.size, cells),
        coherence=np.sqrt((weight * coherence[:, before:]).sum(axis=1) / counted),
        link=linked,
        slow_shift=motion.shift,
        slow_coherence=motion.coherence,
        zone_coherence=motion.zones,
        energy=energy,
        energy_depth=energy_depth,
        flags=flags.astype(np.int64),
        estimator=settings.estimator,
    )
