"""One well of the virtual instrument: its sample, its scatterers and its echoes, push by push."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from stanch.recording.records import Geometry
from stanch.virtual import faults as fault_kinds
from stanch.virtual.course import Course
from stanch.virtual.echoes import Field, Pulse, Scatterers, draw_scatterers, echo_lines
from stanch.virtual.medium import WellModes, filled_to, material_response, well_modes
from stanch.virtual.sample import sample_courses
from stanch.virtual.scenario import Scenario

__all__ = ["PushTruth", "VirtualWell", "frame_times"]

Floats = NDArray[np.float64]

_REACH = 3.0  # beam radii
_ADC_LIMIT = 32767
_KNOCK_DECAY = 0.02  # s


def frame_times(frames: int, before: int, interval: float, late: int = 0, last: float | None = None) -> Floats:
    """Frame times from the start of the push: the push takes the place of the frame at zero.

    Parameters
    ----------
    frames, before : int
        Evenly spaced frames of a push, and those of them before it [-].
    interval : float
        [s].
    late : int
        Further frames, each further from the one before it than that was from its own by one and the same factor [-].
    last : float, optional
        Time of the last of these [s].

    Returns
    -------
    ndarray, shape (frame,)
        [s].

    Examples
    --------
    >>> [float(t) for t in frame_times(4, 2, 1.0)]
    [-2.0, -1.0, 1.0, 2.0]
    >>> [round(float(t), 9) for t in frame_times(4, 2, 1.0, 3, 16.0)]
    [-2.0, -1.0, 1.0, 2.0, 4.0, 8.0, 16.0]
    """
    even = np.concatenate([np.arange(-before, 0), np.arange(1, frames - before + 1)]) * interval
    if not late or last is None:
        return even
    steps = np.arange(1, late + 1)
    low, high = 0.0, math.log((last - even[-1]) / interval)
    for _ in range(80):
        middle = (low + high) / 2
        short = interval * np.exp(middle * steps).sum() < last - even[-1]
        low, high = (middle, high) if short else (low, middle)
    further = even[-1] + np.cumsum(interval * np.exp(high * steps))
    further[-1] = last
    return np.concatenate([even, further])


@dataclass(frozen=True)
class PushTruth:
    """What was put into one push.

    Parameters
    ----------
    time : float
        Since activation [s].
    modulus, viscosity : float
        At the course's stated frequency [Pa], [Pa·s].
    force : float
        Peak body force [N/m^3].
    renewed : float
        Share of the scatterers that were replaced since the push before, mean over depth [-].
    shift : float
        Slow movement since the first push, away from the transducer [m].
    peak : float
        Largest mean movement under the beam at the focus [m].
    attached : bool
        Whether the sample holds to the side wall.
    """

    time: float
    modulus: float
    viscosity: float
    force: float
    renewed: float
    shift: float
    peak: float
    attached: bool


class VirtualWell:
    """A well that answers one push after another.

    Parameters
    ----------
    scenario : Scenario
    index : int
        Of the well.
    seed : int
        Of the run; every well has a stream of its own.
    course : Course, optional
        Of the sample in this well; by default what the scenario says.
    """

    def __init__(self, scenario: Scenario, index: int, seed: int, course: Course | None = None) -> None:
        self._scenario = scenario
        self._table = scenario.well[index]
        self.name = self._table.name
        self._faults = [f for f in scenario.fault if f.hits(self.name)]
        self._rng = np.random.default_rng(np.random.SeedSequence([seed, index]))
        self.stated_geometry: Geometry = (self._table.geometry or scenario.geometry).record()
        self.geometry = self.stated_geometry
        for fault in self._faults:
            if isinstance(fault, fault_kinds.UnderFill):
                self.geometry = filled_to(self.geometry, fault.height)
        self.course = sample_courses(scenario)[index] if course is None else course
        a = scenario.acquisition
        self.frame_time = frame_times(a.frames, a.frames_before_push, a.frame_interval, a.late_frames, a.last_frame)
        self.pulse = Pulse.gaussian(
            sampling_rate=a.sampling_rate,
            centre_frequency=a.centre_frequency,
            bandwidth=scenario.instrument.bandwidth,
            sound_speed=a.sound_speed,
            first=a.first_sample_depth,
            beam_radius=self.geometry.beam_radius,
        )
        self._scatterers: Scatterers | None = None
        self._last_time = 0.0
        self._last_shift = 0.0
        self._shake_phase = [2 * math.pi * _fixed(seed, i) for i in range(len(scenario.fault))]

    @cached_property
    def modes(self) -> WellModes:
        """The modes of the filled well."""
        return self._modes("bonded")

    @cached_property
    def _loose_modes(self) -> WellModes:
        return self._modes("slip")

    def _modes(self, wall: str) -> WellModes:
        end = self.pulse.first + self._scenario.acquisition.samples * self.pulse.spacing
        margin = 1.5 * self.pulse.reach
        kind = "slip" if wall == "slip" else "bonded"
        return well_modes(self.geometry, self.pulse.first - margin, end + margin, wall=kind, reach=_REACH)

    def _detached(self, time: float) -> float | None:
        """Step of the sample where it has let go of the wall."""
        steps = [f.step for f in self._faults if isinstance(f, fault_kinds.Detachment) and time >= f.start]
        own = self.course.detached(time)
        if own is not None:
            steps.append(own)
        return sum(steps) if steps else None

    def _shift(self, time: float) -> float:
        """Slow movement away from the transducer at a time [m]."""
        down = float(self.course.shift(time)) + (self._detached(time) or 0.0)
        shift = -down if self.geometry.beam_from == "base" else down
        for f in self._faults:
            if isinstance(f, fault_kinds.Drift):
                shift += f.speed * max(0.0, min(time, f.end or math.inf) - f.start)
        return shift

    def _drift_speed(self, time: float) -> float:
        return sum(f.speed for f in self._faults if isinstance(f, fault_kinds.Drift) and f.active(self.name, time))

    def _attenuation(self, time: float) -> float:
        i = self._scenario.instrument
        return i.attenuation + i.attenuation_rise * float(self.course.progress(time))

    @property
    def _path(self) -> float:
        """Sample between the transducer's side and the focus [m]."""
        g = self.geometry
        return g.focus_height if g.beam_from == "base" else max(g.well_depth - g.focus_height, 0.0)

    def _coupling(self, time: float) -> float:
        loss = sum(
            f.loss for f in self._faults if isinstance(f, fault_kinds.CouplingLoss) and f.active(self.name, time)
        )
        return float(10 ** (-loss / 20))

    def force(self, time: float) -> float:
        """Peak body force at a time [N/m^3]: twice attenuation times intensity over sound speed, at the focus."""
        i = self._scenario.instrument
        now = self._attenuation(time)
        change = 1.0
        if i.attenuation > 0:
            change = now / i.attenuation * math.exp(-2 * (now - i.attenuation) * self._path)
        return i.push_force * change * self._coupling(time)

    def field(self, time: float) -> tuple[Field, float]:
        """Movement around the beam in every frame of a push at a time [s], and its peak at the focus [m]."""
        loose = self._detached(time) is not None
        modes = self._loose_modes if loose else self.modes
        a = self._scenario.acquisition
        material = self.course.material(time)
        q = material_response(modes.eigenvalue, self.frame_time, material, a.density, a.push_duration)
        q *= modes.force[:, None] * (self.force(time) / a.density)
        mixed = modes.mixing.T @ q
        shape = (*modes.axial.shape[1:], self.frame_time.size)
        axial, radial = (
            (part.reshape(mixed.shape[0], -1).T @ mixed).reshape(shape).astype(np.float32)
            for part in (modes.axial, modes.radial)
        )
        focus = int(np.argmin(np.abs(modes.depth)))
        peak = float(np.max(np.abs(modes.beam[0, :, focus] @ q)))
        step = float(modes.depth[1] - modes.depth[0])
        return Field(axial, radial, float(modes.radius[1]), float(modes.depth[0]), step), peak

    def _local_time(self, depth: Floats, time: float) -> Floats:
        """Time by which the sample at a depth has come as far as the rest."""
        delay = sum(f.delay for f in self._faults if isinstance(f, fault_kinds.PoorMixing))
        low, high = self.modes.depth[0], self.modes.depth[-1]
        out: Floats = time - delay * (depth - low) / (high - low)
        return out

    def _renewal(self, depth: Floats, time: float) -> Floats:
        """Share of scatterers replaced since the push before."""
        i = self._scenario.instrument
        fluid = np.maximum(1.0 - self.course.modulus(self._local_time(depth, time)) / i.freeze_modulus, 0.0)
        stirred = 1.0 - np.exp(-fluid * (time - self._last_time) / max(i.mixing_time, 1e-9))
        kept = self.course.kept(np.array([self._last_time, time]))
        out: Floats = np.maximum(stirred, 1.0 - kept[1] / kept[0])
        return out

    def _levels(self, depth: Floats, time: float) -> Floats:
        """Echo amplitude of the scatterers by depth [-]."""
        i = self._scenario.instrument
        progress = float(self.course.progress(time))
        travelled = np.maximum(self._path + depth, 0.0)
        level = np.exp(-2 * (self._attenuation(time) * travelled - i.attenuation * self._path))
        level *= 10 ** (i.backscatter_rise * progress / 20) * self._coupling(time)
        up = 1.0 if self.geometry.beam_from == "base" else -1.0
        low, high = self.modes.depth[0], self.modes.depth[-1]
        for f in self._faults:
            if isinstance(f, fault_kinds.Sedimentation):
                liquid = min(time, max(self.course.start, 0.0))
                tilt = up * (0.5 - (depth - low) / (high - low))
                level *= 10 ** (f.level * liquid / f.time * tilt / 20)
            if isinstance(f, fault_kinds.Bubble) and f.active(self.name, time):
                level *= np.where(depth > f.depth, 10 ** (-f.shadow / 20), 1.0)
        out: Floats = level
        return out

    def _bubbles(self, time: float) -> Scatterers | None:
        found = [f for f in self._faults if isinstance(f, fault_kinds.Bubble) and f.active(self.name, time)]
        if not found:
            return None
        rms = math.sqrt(self._scenario.instrument.scatterers_per_cell / 2)
        return Scatterers(
            np.array([[f.offset, 0.0] for f in found]),
            np.array([f.depth for f in found]),
            np.array([rms * 10 ** (f.level / 20) * self._coupling(time) for f in found]),
        )

    def _moved(self, time: float) -> tuple[Scatterers, float]:
        """The scatterers at rest before a push, and the share of them that is new."""
        low, high = float(self.modes.depth[0]), float(self.modes.depth[-1])
        if self._scatterers is None:
            per_cell = self._scenario.instrument.scatterers_per_cell
            self._scatterers = draw_scatterers(self._rng, self.pulse, low, high, per_cell=per_cell, reach=_REACH)
            renewed = 1.0
        else:
            share = self._renewal(self._scatterers.depth, time)
            renewed = float(share.mean()) if share.size else 0.0
            self._scatterers = self._scatterers.renewed(self._rng, share, self.pulse.beam_radius, _REACH)
        shift = self._shift(time)
        if shift != self._last_shift:
            depth = low + np.mod(self._scatterers.depth + (shift - self._last_shift) - low, high - low)
            self._scatterers = replace(self._scatterers, depth=depth).sorted()
        self._last_time, self._last_shift = time, shift
        return self._scatterers, renewed

    def _shake(self, time: float) -> Floats:
        """Movement common to all scatterers in each frame [m]."""
        out: Floats = self._drift_speed(time) * (self.frame_time - self.frame_time[0])
        run_time = time + self._table.activated_after
        for f, phase in zip(self._scenario.fault, self._shake_phase, strict=True):
            if isinstance(f, fault_kinds.Knock) and f.hits(self.name):
                half = self._scenario.run.push_interval / 2
                if any(-half < run_time - t <= half for t in f.times):
                    since = self.frame_time - self.frame_time[0]
                    wave = np.sin(2 * math.pi * f.frequency * since + phase) - math.sin(phase)
                    out = out + f.amplitude * np.exp(-since / _KNOCK_DECAY) * wave
        return out

    def push(self, time: float) -> tuple[NDArray[np.int16], PushTruth]:
        """Echo lines of the push at a time; times must not run backwards.

        Parameters
        ----------
        time : float
            Since activation [s].

        Returns
        -------
        block : ndarray of int16, shape (frame, sample)
            [count].
        truth : PushTruth
        """
        a, i = self._scenario.acquisition, self._scenario.instrument
        scatterers, renewed = self._moved(time)
        field, peak = self.field(time)
        seen = replace(scatterers, strength=scatterers.strength * self._levels(scatterers.depth, time))
        bubbles = self._bubbles(time)
        if bubbles is not None:
            seen = Scatterers(
                np.concatenate([seen.across, bubbles.across]),
                np.concatenate([seen.depth, bubbles.depth]),
                np.concatenate([seen.strength, bubbles.strength]),
            )
        lines = echo_lines(seen, field, self._shake(time), self.pulse, a.samples).astype(float)
        lines *= i.echo_level / math.sqrt(i.scatterers_per_cell / 2)
        lines += i.echo_level * 10 ** (-i.signal_to_noise / 20) * self._rng.standard_normal(lines.shape)
        block = self._captured(lines, time)
        truth = PushTruth(
            time,
            float(self.course.modulus(time)),
            float(self.course.viscosity(time)),
            self.force(time),
            renewed,
            self._last_shift,
            peak,
            self._detached(time) is None,
        )
        return block, truth

    def _captured(self, lines: Floats, time: float) -> NDArray[np.int16]:
        """Gain, conversion and the frames that go wrong."""
        before = self._scenario.acquisition.frames_before_push
        after = lines.shape[0] - before
        for f in self._faults:
            if isinstance(f, fault_kinds.Saturation) and f.active(self.name, time):
                lines = lines * 10 ** (f.gain / 20)
        block = np.clip(np.rint(lines), -_ADC_LIMIT - 1, _ADC_LIMIT).astype(np.int16)
        for f in self._faults:
            if isinstance(f, fault_kinds.RepeatedFrames | fault_kinds.LostFrames) and f.active(self.name, time):
                for frame in before + np.flatnonzero(self._rng.random(after) < f.share):
                    block[frame] = block[frame - 1] if isinstance(f, fault_kinds.RepeatedFrames) else 0
        return block


def _fixed(seed: int, index: int) -> float:
    """A number from 0 to 1 that all wells of a run share."""
    return float(np.random.default_rng(np.random.SeedSequence([seed, index, 1])).random())
