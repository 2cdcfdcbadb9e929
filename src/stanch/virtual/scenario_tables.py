"""The tables of a scenario document: which keys each has, and of what kind."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from stanch.documents import Faults, said
from stanch.errors import InputError
from stanch.recording.records import Geometry
from stanch.virtual.blood_tables import ContentsTable
from stanch.virtual.document import Moment, Number, Table, Text, Whole
from stanch.virtual.gel import Gel
from stanch.virtual.growth import Growth
from stanch.virtual.material import Material
from stanch.virtual.quantity_types import (
    Attenuation,
    Concentration,
    Count,
    Density,
    Force,
    Frequency,
    Length,
    Level,
    LevelOrZero,
    Modulus,
    ModulusOrZero,
    Rate,
    Ratio,
    SignedLength,
    Speed,
    SpeedOrZero,
    Temperature,
    Time,
    TimeOrZero,
    Viscosity,
    ViscosityOrZero,
    Volume,
)

__all__ = [
    "AcquisitionTable",
    "AdditiveTable",
    "GelTable",
    "GeometryTable",
    "GrowthTable",
    "InstrumentTable",
    "RunTable",
    "SampleTable",
    "WellTable",
]


class SampleTable(Table):
    """``[sample]``: what is known of the invented sample; a fact that is left out is unknown."""

    sample: Text
    role: Literal["patient", "control", "gel", "blank", "exercise"] | None = None
    drawn_at: Moment | None = None
    received_at: Moment | None = None
    site: Text | None = None
    tube: Text | None = None
    anticoagulant: Text | None = None
    fill: Text | None = None
    storage: Text | None = None
    phase: Text | None = None
    haemolysis: Text | None = None
    lipaemia: Text | None = None
    icterus: Text | None = None
    haematocrit: Annotated[Ratio, Field(lt=0.9)] | None = None
    platelets: Count | None = None
    fibrinogen: Concentration | None = None
    drugs: tuple[Text, ...] | None = None
    products: tuple[Text, ...] | None = None


class RunTable(Table):
    """``[run]``: when the pushes happen."""

    pushes: Annotated[Whole, Field(ge=1, le=100_000)]
    push_interval: Time
    first_push: TimeOrZero = 5.0
    stagger: TimeOrZero = 0.0


class AcquisitionTable(Table):
    """``[acquisition]``, in the words of the map document."""

    sampling_rate: Frequency
    centre_frequency: Frequency
    sound_speed: Speed
    density: Density
    frame_interval: Time
    frames: Annotated[Whole, Field(ge=3, le=4096)]
    frames_before_push: Annotated[Whole, Field(ge=1)] = 2
    late_frames: Annotated[Whole, Field(ge=0, le=1024)] = 0
    last_frame: Time | None = None
    push_duration: Time
    first_sample_depth: SignedLength
    samples: Annotated[Whole, Field(ge=16, le=16384)]

    @model_validator(mode="after")
    def _fits(self) -> AcquisitionTable:
        faults = []
        if self.frames_before_push >= self.frames:
            faults.append(
                ("frames_before_push", f"got {self.frames_before_push}; allowed: below frames = {self.frames}")
            )
        if self.sampling_rate < 2 * self.centre_frequency:
            got = f"got '{1e-6 * self.sampling_rate:g} MHz'"
            faults.append(("sampling_rate", f"{got}; allowed: at least twice centre_frequency"))
        earliest = (self.frames - self.frames_before_push + self.late_frames) * self.frame_interval
        if (self.late_frames > 0) != (self.last_frame is not None):
            faults.append(("late_frames", f"got {self.late_frames}; allowed: above 0 with last_frame, or neither"))
        elif self.last_frame is not None and self.last_frame <= earliest:
            allowed = f"after {1e3 * earliest:g} ms, where the late frames would be no further apart than the others"
            faults.append(("last_frame", f"got '{1e3 * self.last_frame:g} ms'; allowed: {allowed}"))
        if faults:
            raise Faults(faults)
        return self

    @property
    def push_span(self) -> float:
        """From the first frame of a push to its last [s]."""
        last = (self.frames - self.frames_before_push) * self.frame_interval
        return self.frames_before_push * self.frame_interval + (self.last_frame or last)


class GeometryTable(Table):
    """``[geometry]``, in the words of the map document."""

    well_radius: Length
    well_depth: Length
    beam_from: Literal["base", "lid"] = "base"
    focus_height: Length
    lid: Literal["rigid", "free"] = "rigid"
    push_radius: Length
    push_length: Length
    beam_radius: Length

    @model_validator(mode="after")
    def _fits(self) -> GeometryTable:
        try:
            self.record()
        except InputError as error:
            raise Faults([(error.where, said(error))]) from None
        return self

    def record(self) -> Geometry:
        """The geometry in SI units."""
        return Geometry(
            well_radius=self.well_radius,
            well_depth=self.well_depth,
            focus_height=self.focus_height,
            push_radius=self.push_radius,
            push_length=self.push_length,
            beam_radius=self.beam_radius,
            beam_from=self.beam_from,
            lid=self.lid,
        )


class InstrumentTable(Table):
    """``[instrument]``: push strength, pulse, noise, and what clotting does to the sound."""

    name: Text = "virtual instrument"
    push_force: Force
    bandwidth: Annotated[Ratio, Field(gt=0.05, lt=1.2)] = 0.6
    signal_to_noise: Level = 34.0
    echo_level: Annotated[Number, Field(gt=0, le=8000)] = 1500.0
    scatterers_per_cell: Annotated[Number, Field(ge=10, le=200)] = 12.0
    attenuation: Attenuation = 0.0
    attenuation_rise: Attenuation = 0.0
    backscatter_rise: LevelOrZero = 0.0
    mixing_time: TimeOrZero = 2.0
    freeze_modulus: Modulus = 1.0
    temperature: Temperature = 310.15
    temperature_interval: Time = 60.0


class GrowthTable(Table):
    """``[well.curve]`` of a sample that clots."""

    start: TimeOrZero | Literal["never"]
    network_modulus: ModulusOrZero
    network_time: Time
    stiffening_modulus: ModulusOrZero = 0.0
    stiffening_time: Time = 300.0
    stiffening_delay: TimeOrZero = 0.0
    lysis_rate: Rate = 0.0
    lysis_start: TimeOrZero = 0.0
    retraction_rate: Rate = 0.0
    retraction_start: TimeOrZero = 0.0
    retraction_speed: SpeedOrZero = 0.0
    liquid_viscosity: Viscosity = 0.004
    set_viscosity: ViscosityOrZero = 0.2

    def record(self) -> Growth:
        """The growth function."""
        values = self.model_dump()
        if values["start"] == "never":
            values["start"] = math.inf
        return Growth(**values)


class GelTable(Table):
    """``[well.curve]`` of a gel that was set long ago: a spring and any of dashpot, spring-pot and relaxing branch."""

    modulus: ModulusOrZero = 0.0
    viscosity: ViscosityOrZero | None = None
    pot: ModulusOrZero = 0.0
    order: Annotated[Number, Field(gt=0, lt=1)] = 0.5
    branch: ModulusOrZero = 0.0
    relaxation: Time = 1e-3
    frequency: Frequency = 100.0

    @model_validator(mode="after")
    def _resists(self) -> GelTable:
        if not self.modulus + self.pot + self.branch > 0:
            got = f"got '{self.modulus:g} Pa'"
            raise Faults([("modulus", f"{got}; allowed: above 0, or with pot or branch above 0")])
        return self

    def record(self) -> Gel:
        """The course."""
        plain = self.pot == 0 and self.branch == 0
        viscosity = self.viscosity if self.viscosity is not None else (0.05 if plain else 0.0)
        material = Material(
            self.modulus,
            viscosity=viscosity,
            pot=self.pot / (2 * math.pi * self.frequency) ** self.order,
            order=self.order,
            branch=self.branch,
            relaxation=self.relaxation,
        )
        return Gel(material, self.frequency)


class AdditiveTable(Table):
    """One entry of ``additives``."""

    name: Text
    amount: Text | None = None
    lot: Text | None = None
    expiry: Text | None = None


def _additive(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


def _curve_form(value: object) -> str:
    gel = isinstance(value, GelTable) or (
        isinstance(value, dict) and not {"modulus", "pot", "branch"}.isdisjoint(value)
    )
    return "gel" if gel else "growth"


Curve = Annotated[
    Annotated[GrowthTable, Tag("growth")] | Annotated[GelTable, Tag("gel")],
    Discriminator(_curve_form),
]


class WellTable(Table):
    """``[[well]]``: what is in it, and how its modulus goes or what that follows from."""

    name: Text
    activator: Text | None = None
    activator_amount: Text | None = None
    activator_lot: Text | None = None
    activator_expiry: Text | None = None
    additives: tuple[Annotated[AdditiveTable, BeforeValidator(_additive)], ...] = ()
    sample_volume: Volume | None = None
    final_volume: Volume | None = None
    fill_height: Length | None = None
    activated_after: TimeOrZero = 0.0
    activation_sd: TimeOrZero = 0.0
    geometry: GeometryTable | None = None
    curve: Curve | None = None
    contents: ContentsTable | None = None

    @model_validator(mode="after")
    def _one_cause(self) -> WellTable:
        if (self.curve is None) == (self.contents is None):
            got = "neither curve nor contents" if self.curve is None else "curve and contents"
            raise ValueError(f"got {got}; allowed: exactly one of the two")
        return self
