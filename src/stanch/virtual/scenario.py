"""Scenario documents: what a virtual run is made of, as TOML."""

from __future__ import annotations

import math
import tomllib
import unicodedata
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    model_validator,
)

from stanch.errors import DocumentError, InputError
from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, Well
from stanch.virtual.faults import Fault
from stanch.virtual.growth import Growth
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

__all__ = ["SCHEMA", "Scenario", "load_scenario", "parse_scenario"]

SCHEMA = "stanch.scenario/1"
MAX_BYTES = 1_000_000
"""Largest scenario document [byte]."""


def _text(value: object) -> object:
    return unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else value


Text = Annotated[str, BeforeValidator(_text), Field(min_length=1, max_length=400)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _moment(value: object) -> object:
    text = value.isoformat() if isinstance(value, datetime) else value
    if not isinstance(text, str):
        raise ValueError('must be a time with offset, such as "2026-03-02T09:30:00+01:00"')
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"got {text!r}; allowed: ISO 8601 with offset") from None
    if found.tzinfo is None:
        raise ValueError(f"got {text!r}; allowed: a time with its offset from UTC, such as +01:00 or Z")
    return found.isoformat()


Moment = Annotated[str, BeforeValidator(_moment)]


class SampleTable(_Table):
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


class RunTable(_Table):
    """``[run]``: when the pushes happen."""

    pushes: Annotated[int, Field(ge=1, le=100_000)]
    push_interval: Time
    first_push: TimeOrZero = 5.0
    stagger: TimeOrZero = 0.0


class AcquisitionTable(_Table):
    """``[acquisition]``, in the words of the map document."""

    sampling_rate: Frequency
    centre_frequency: Frequency
    sound_speed: Speed
    density: Density
    frame_interval: Time
    frames: Annotated[int, Field(ge=3, le=4096)]
    frames_before_push: Annotated[int, Field(ge=1)] = 2
    push_duration: Time
    first_sample_depth: SignedLength
    samples: Annotated[int, Field(ge=16, le=16384)]

    @model_validator(mode="after")
    def _fits(self) -> AcquisitionTable:
        if self.frames_before_push >= self.frames:
            raise ValueError(
                f"frames_before_push: got {self.frames_before_push}; allowed: below frames = {self.frames}"
            )
        if self.sampling_rate < 2 * self.centre_frequency:
            raise ValueError(f"sampling_rate: got {self.sampling_rate:g} Hz; allowed: at least twice centre_frequency")
        return self


class GeometryTable(_Table):
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
            raise ValueError(f"{error.where}: got {error.got}; allowed: {error.allowed}") from None
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


class InstrumentTable(_Table):
    """``[instrument]``: push strength, pulse, noise, and what clotting does to the sound."""

    name: Text = "virtual instrument"
    push_force: Force
    bandwidth: Annotated[Ratio, Field(gt=0.05, lt=1.2)] = 0.6
    signal_to_noise: Level = 34.0
    echo_level: Annotated[float, Field(gt=0, le=8000)] = 1500.0
    scatterers_per_cell: Annotated[float, Field(ge=10, le=200)] = 12.0
    attenuation: Attenuation = 0.0
    attenuation_rise: Attenuation = 0.0
    backscatter_rise: LevelOrZero = 0.0
    mixing_time: TimeOrZero = 2.0
    freeze_modulus: Modulus = 1.0
    temperature: Temperature = 310.15
    temperature_interval: Time = 60.0


class GrowthTable(_Table):
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


class GelTable(_Table):
    """``[well.curve]`` of a gel that was set long ago."""

    modulus: Modulus
    viscosity: ViscosityOrZero = 0.05

    def record(self) -> Growth:
        """The growth function."""
        return Growth.gel(self.modulus, self.viscosity)


class AdditiveTable(_Table):
    """One entry of ``additives``."""

    name: Text
    amount: Text | None = None
    lot: Text | None = None
    expiry: Text | None = None


def _additive(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


def _curve_form(value: object) -> str:
    return "gel" if (isinstance(value, dict) and "modulus" in value) or isinstance(value, GelTable) else "growth"


Curve = Annotated[
    Annotated[GrowthTable, Tag("growth")] | Annotated[GelTable, Tag("gel")],
    Discriminator(_curve_form),
]


class WellTable(_Table):
    """``[[well]]``: what is in it and how its modulus goes."""

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
    curve: Curve


class Scenario(_Table):
    """A scenario document, read and checked; all quantities in SI units."""

    schema_: Literal["stanch.scenario/1"] = Field(alias="schema")
    name: Text
    seed: Annotated[int, Field(ge=0, lt=2**63)]
    demo: bool = True
    started_at: Moment | None = None
    assay: Text | None = None
    operator: Text | None = None
    sample: SampleTable
    run: RunTable
    acquisition: AcquisitionTable
    geometry: GeometryTable
    instrument: InstrumentTable
    well: Annotated[tuple[WellTable, ...], Field(min_length=1, max_length=64)]
    fault: tuple[Fault, ...] = ()
    folder: str | None = Field(default=None, exclude=True)

    @model_validator(mode="after")
    def _agrees(self) -> Scenario:
        names = [w.name for w in self.well]
        problems = []
        for i, name in enumerate(names):
            if name in names[:i]:
                problems.append(f"well[{i}].name: got {name!r} twice; allowed: a name of its own for each well")
        for i, fault in enumerate(self.fault):
            problems += [
                f"fault[{i}].wells: got {w!r}; allowed: {', '.join(names)}" for w in fault.wells or () if w not in names
            ]
        if any(f.kind in ("expired_lot", "stale_sample", "clock") for f in self.fault) and self.started_at is None:
            problems.append("started_at: missing; allowed: a time with offset, since a fault shifts a date or clock")
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def push_times(self, index: int) -> list[float]:
        """Push times of a well since its activation [s]."""
        first = self.run.first_push + index * self.run.stagger
        return [first + k * self.run.push_interval for k in range(self.run.pushes)]

    def acquisition_record(self) -> Acquisition:
        """The acquisition in SI units."""
        values = self.acquisition.model_dump(exclude={"frame_interval", "frames", "samples"})
        return Acquisition(**values)

    def sample_record(self) -> SampleFacts:
        """The sample facts."""
        return SampleFacts(**self.sample.model_dump(), demo=self.demo)

    def well_record(self, index: int) -> Well:
        """One well's facts."""
        table = self.well[index]
        values = table.model_dump(exclude={"additives", "curve", "geometry", "activated_after"})
        activated = None
        if self.started_at is not None:
            moment = datetime.fromisoformat(self.started_at) + timedelta(seconds=table.activated_after)
            activated = moment.isoformat()
        additives = tuple(Additive(**a.model_dump()) for a in table.additives)
        return Well(**values, additives=additives, activated_at=activated)


def parse_scenario(text: str, *, where: str = "scenario", folder: str | Path | None = None) -> Scenario:
    """Read a scenario document.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        Name for messages.
    folder : path, optional
        Against which the assay document is named.

    Returns
    -------
    Scenario

    Raises
    ------
    DocumentError
        With every fault found, each beginning with its path in the document.
    """
    if len(text) > MAX_BYTES:
        raise DocumentError(where, got=f"{len(text)} characters", allowed=f"up to {MAX_BYTES}")
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DocumentError(where, problems=[f"not TOML: {error}"], do="Correct the syntax.") from None
    schema = data.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("stanch.scenario/")
        do = "It was written for another version of Stanch." if newer else f'Begin with schema = "{SCHEMA}".'
        raise DocumentError(where, problems=[f"schema: got {schema!r}; allowed: {SCHEMA}"], do=do)
    data.pop("folder", None)
    try:
        return Scenario.model_validate({**data, "folder": None if folder is None else str(folder)})
    except ValidationError as error:
        raise DocumentError(where, problems=_problems(error), do="Correct the document.") from None


def load_scenario(source: str | Path) -> Scenario:
    """Read a scenario from a file, or from text if it has a line break.

    Parameters
    ----------
    source : path or str
        A file name, or the TOML text itself.

    Returns
    -------
    Scenario

    Raises
    ------
    DocumentError
        If it cannot be read.
    """
    if isinstance(source, str) and "\n" in source:
        return parse_scenario(source)
    path = Path(source)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise DocumentError(str(path), got=f"{path.stat().st_size} bytes", allowed=f"up to {MAX_BYTES}")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        what = getattr(error, "strerror", None) or "not UTF-8 text"
        raise DocumentError(str(path), got=what, allowed="a readable scenario document") from None
    return parse_scenario(text, where=str(path), folder=path.parent)


def _problems(error: ValidationError) -> list[str]:
    out = []
    for item in error.errors(include_url=False):
        if item["type"] == "too_short" and item["loc"] == ("well",) and item["input"]:
            continue  # the wells are there, but none is right: said one by one
        path = _path(item["loc"])
        message = item["msg"].removeprefix("Value error, ")
        if item["type"] == "missing":
            message = "missing; this key is required"
        elif item["type"] == "extra_forbidden":
            message = "unknown key; remove it or correct its spelling"
        elif item["type"] != "value_error":
            message = f"got {_short(item['input'])}; {message[:1].lower()}{message[1:]}"
        out.append(f"{path}: {message}" if path else message)
    return out


def _path(location: tuple[int | str, ...]) -> str:
    """Path in the document, without the marks that pydantic adds for the kind of fault and of curve."""
    path = ""
    for i, part in enumerate(location):
        before = location[i - 1] if i else None
        if isinstance(part, int):
            path += f"[{part}]"
        elif not ((isinstance(before, int) and location[0] == "fault" and i == 2) or before == "curve"):
            path += f".{part}" if path else str(part)
    return path


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:59] + "…"
