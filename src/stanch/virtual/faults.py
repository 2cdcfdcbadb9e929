"""What can go wrong in a virtual run: one ``[[fault]]`` table of a scenario each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from stanch.virtual.quantity_types import (
    Frequency,
    Length,
    LengthOrZero,
    LevelOrZero,
    Ratio,
    SignedLength,
    SignedSpeed,
    SignedTemperature,
    Time,
    TimeOrZero,
)

__all__ = [
    "Bubble",
    "Clock",
    "CouplingLoss",
    "Detachment",
    "Dilution",
    "Drift",
    "ExpiredLot",
    "Fault",
    "Knock",
    "LostFrames",
    "PoorMixing",
    "RepeatedFrames",
    "Saturation",
    "Sedimentation",
    "StaleSample",
    "TemperatureShift",
    "UnderFill",
    "temperature_steps",
]


class _Fault(BaseModel):
    """`wells` names the wells; without it all have the fault. Times count from the well's activation."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
    wells: tuple[str, ...] | None = None

    def hits(self, well: str) -> bool:
        """Whether a well has it."""
        return self.wells is None or well in self.wells


class _Timed(_Fault):
    start: TimeOrZero = 0.0
    end: Time | None = None

    def active(self, well: str, time: float) -> bool:
        """Whether a well has it at a time [s]."""
        return self.hits(well) and time >= self.start and (self.end is None or time < self.end)


class Drift(_Timed):
    """The sample moves slowly along the beam, positive away from the transducer."""

    kind: Literal["drift"]
    speed: SignedSpeed


class LostFrames(_Timed):
    """A share of the frames after the push arrives as zeros."""

    kind: Literal["lost_frames"]
    share: Annotated[Ratio, Field(le=1)]


class RepeatedFrames(_Timed):
    """A share of the frames after the push is a copy of the frame before."""

    kind: Literal["repeated_frames"]
    share: Annotated[Ratio, Field(le=1)]


class Saturation(_Timed):
    """Too much gain before the converter."""

    kind: Literal["saturation"]
    gain: LevelOrZero


class Bubble(_Timed):
    """A bright point that moves with the sample and shadows what lies beyond it.

    `level` is its echo on the axis over the root-mean-square speckle; `offset` its distance from the axis.
    """

    kind: Literal["bubble"]
    depth: SignedLength
    offset: LengthOrZero = 0.0
    level: LevelOrZero = 30.0
    shadow: LevelOrZero = 12.0


class Knock(_Fault):
    """Something hits the bench: all wells shake together at the pushes nearest to `times` of the run."""

    kind: Literal["knock"]
    times: Annotated[tuple[TimeOrZero, ...], Field(min_length=1)]
    amplitude: Length
    frequency: Frequency = 180.0


class CouplingLoss(_Timed):
    """Contact between transducer and well is lost in part: `loss` of echo level, half of it on the way in."""

    kind: Literal["coupling_loss"]
    loss: LevelOrZero


class UnderFill(_Fault):
    """The sample reaches only to `height` and has a free surface; the recording does not say so."""

    kind: Literal["under_fill"]
    height: Length


class Dilution(_Fault):
    """Only `share` of the intended sample is in the well: moduli fall with its square; not recorded."""

    kind: Literal["dilution"]
    share: Annotated[Ratio, Field(gt=0, le=2)]


class PoorMixing(_Fault):
    """The far end of the recorded line sets `delay` after the near end.

    The push still sees the modulus at the focus; only the stillness of the echoes differs by depth.
    """

    kind: Literal["poor_mixing"]
    delay: Time


class Sedimentation(_Fault):
    """While liquid, the echo level tilts by `level` from end to end of the line per `time`, rising at the base."""

    kind: Literal["sedimentation"]
    level: LevelOrZero
    time: Time = 600.0


class Detachment(_Fault):
    """The clot lets go of the side wall at `start`: the wall turns frictionless and the sample settles by `step`."""

    kind: Literal["detachment"]
    start: TimeOrZero
    step: LengthOrZero = 20e-6


class TemperatureShift(_Fault):
    """The block is off by `shift` from `start` to `end` of the run: the series shows it and blood follows."""

    kind: Literal["temperature"]
    shift: SignedTemperature
    start: TimeOrZero = 0.0
    end: Time | None = None

    def active_at(self, time: float) -> bool:
        """Whether the block is off at a time of the run [s]."""
        return time >= self.start and (self.end is None or time < self.end)


class ExpiredLot(_Fault):
    """The named reagent expired the day before the run."""

    kind: Literal["expired_lot"]
    reagent: str


class StaleSample(_Fault):
    """The sample was drawn `age` before the run."""

    kind: Literal["stale_sample"]
    age: Time


class Clock(_Fault):
    """The clock that stamped the sample runs ahead of the instrument's by `ahead`."""

    kind: Literal["clock"]
    ahead: Time


Fault = Annotated[
    Bubble
    | Clock
    | CouplingLoss
    | Detachment
    | Dilution
    | Drift
    | ExpiredLot
    | Knock
    | LostFrames
    | PoorMixing
    | RepeatedFrames
    | Saturation
    | Sedimentation
    | StaleSample
    | TemperatureShift
    | UnderFill,
    Field(discriminator="kind"),
]


def temperature_steps(faults: Sequence[Fault], well: str) -> tuple[tuple[float, float], ...]:
    """How far a well is off its temperature, by all faults together.

    Parameters
    ----------
    faults : sequence of Fault
    well : str

    Returns
    -------
    tuple of tuple of float
        Time of the run from which on [s], and by how much [K], in order of time; empty where it is never off.
    """
    shifts = [f for f in faults if isinstance(f, TemperatureShift) and f.hits(well)]
    times = sorted({t for f in shifts for t in (f.start, f.end) if t is not None})
    return tuple((t, sum(f.shift for f in shifts if f.active_at(t))) for t in times)
