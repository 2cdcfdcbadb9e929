"""The tables of a map document, each with its checks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, StrictInt, model_validator

from stanch.documents import Faults, said
from stanch.errors import InputError, StanchError
from stanch.quantities import parse_quantity
from stanch.recording.layout import KINDS, clean_text
from stanch.recording.records import Geometry, SignalKind
from stanch.recording.times import utc_text

__all__ = [
    "AcquisitionTable",
    "AdditiveTable",
    "GeometryTable",
    "MapTable",
    "RecordingTable",
    "WellTable",
]

_BESIDE = {
    "echo": (),
    "displacement": ("displacement_sd",),
    "modulus": ("viscosity", "loss_modulus", "modulus_sd", "frequency"),
}
_AXES = {"echo": ("push", "frame", "sample"), "displacement": ("push", "frame"), "modulus": ("push",)}


def _quantity(kind: str) -> BeforeValidator:
    def parse(text: object) -> float:
        try:
            return parse_quantity(text, kind, "value")
        except StanchError as error:
            raise ValueError(said(error)) from None

    return BeforeValidator(parse)


def _checked(check: Callable[[Any, str], Any]) -> BeforeValidator:
    def parse(text: object) -> str:
        try:
            if not isinstance(text, str):
                raise InputError("value", got=text, allowed="text in quotes")
            return str(check(text, "value"))
        except StanchError as error:
            raise ValueError(said(error)) from None

    return BeforeValidator(parse)


def _name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError('allowed: the name of an array in the source, with its unit: "name [unit]"')
    return value


def _names(value: object) -> str | list[str]:
    if not isinstance(value, list):
        return _name(value)
    if not value:
        raise ValueError("got an empty list; allowed: names of columns, one for each push")
    return [_name(item) for item in value]


def _seconds(value: object) -> float:
    try:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
        return parse_quantity(value, "time", "value")
    except OverflowError:
        raise ValueError("allowed: finite numbers of seconds") from None
    except StanchError as error:
        raise ValueError(said(error)) from None


def _times(value: object) -> str | list[float]:
    return [_seconds(item) for item in value] if isinstance(value, list) else _name(value)


def _additive(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


Text = Annotated[str, _checked(clean_text)]
Moment = Annotated[str, _checked(utc_text)]
Length = Annotated[float, _quantity("length")]
Time = Annotated[float, _quantity("time")]
Frequency = Annotated[float, _quantity("frequency")]
Volume = Annotated[float, _quantity("volume")]
Speed = Annotated[float, _quantity("speed")]
Density = Annotated[float, _quantity("density")]
Fraction = Annotated[float, _quantity("ratio")]
Count = Annotated[float, _quantity("number concentration")]
Mass = Annotated[float, _quantity("mass concentration")]
Name = Annotated[str, BeforeValidator(_name)]
Names = Annotated[str | list[str], BeforeValidator(_names)]
Times = Annotated[str | list[float], BeforeValidator(_times)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RecordingTable(_Table):
    """``[recording]``: facts of the sample and the run."""

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
    haematocrit: Fraction | None = None
    platelets: Count | None = None
    fibrinogen: Mass | None = None
    drugs: list[Text] | None = None
    products: list[Text] | None = None
    demo: StrictBool = False
    instrument: Text | None = None
    operator: Text | None = None
    started_at: Moment | None = None
    assay: Text | None = None
    notes: list[Text] = Field(default_factory=list)


class AcquisitionTable(_Table):
    """``[acquisition]``: how the data were taken."""

    sampling_rate: Frequency | None = None
    centre_frequency: Frequency | None = None
    sound_speed: Speed | None = None
    density: Density | None = None
    push_duration: Time | None = None
    frames_before_push: StrictInt | None = None
    first_sample_depth: Length | None = None
    echo_form: Literal["rf", "iq"] = "rf"
    demodulation_frequency: Frequency | None = None
    frame_interval: Time | None = None
    frame_times: Times | None = None
    push_time: Times | None = None


class GeometryTable(_Table):
    """``[geometry]``: the well, the push and the beam."""

    well_radius: Length
    well_depth: Length
    focus_height: Length
    push_radius: Length
    push_length: Length
    beam_radius: Length
    beam_from: Literal["base", "lid"] = "base"
    lid: Literal["rigid", "free"] = "rigid"

    @model_validator(mode="after")
    def _meant(self) -> Self:
        try:
            Geometry(**self.model_dump())
        except StanchError as error:
            raise Faults([(error.where, said(error))]) from None
        return self


class AdditiveTable(_Table):
    """One reagent beside the activator."""

    name: Text
    amount: Text | None = None
    lot: Text | None = None
    expiry: Text | None = None


class WellTable(_Table):
    """``[[well]]``: one chamber and where its data are."""

    name: Text
    echo: Name | None = None
    displacement: Names | None = None
    displacement_sd: Names | None = None
    modulus: Name | None = None
    viscosity: Name | None = None
    loss_modulus: Name | None = None
    modulus_sd: Name | None = None
    frequency: Frequency | None = None
    axes: list[Literal["push", "frame", "sample", "quadrature"]] | None = None
    rows: dict[str, str] | None = None
    push_time: Times | None = None
    frame_times: Times | None = None
    geometry: GeometryTable | None = None
    activator: Text | None = None
    activator_amount: Text | None = None
    activator_lot: Text | None = None
    activator_expiry: Text | None = None
    additives: list[Annotated[AdditiveTable, BeforeValidator(_additive)]] = Field(default_factory=list)
    sample_volume: Volume | None = None
    final_volume: Volume | None = None
    fill_height: Length | None = None
    activated_at: Moment | None = None
    activation_offset: Time | None = None
    activation_sd: Time | None = None

    @property
    def kind(self) -> SignalKind:
        """What the well holds."""
        return next(kind for kind in KINDS if getattr(self, kind))

    @model_validator(mode="after")
    def _meant(self) -> Self:
        kinds = [kind for kind in KINDS if getattr(self, kind)]
        if len(kinds) != 1:
            got = " and ".join(kinds) or "none"
            raise Faults([("", f"got {got} of echo, displacement and modulus; give exactly one")])
        faults = [
            (key, f"got a value; it goes with {other}, not with {kinds[0]}")
            for other, names in _BESIDE.items()
            for key in names
            if other != kinds[0] and getattr(self, key) is not None
        ]
        axes = list(_AXES[kinds[0]])
        if self.axes is not None and sorted(set(self.axes) - {"quadrature"}) != sorted(axes):
            faults.append(("axes", f"got {self.axes}; allowed: {axes} in the order of the source"))
        elif self.axes is not None and len(set(self.axes)) != len(self.axes):
            faults.append(("axes", f"got {self.axes}; an axis is named twice"))
        if faults:
            raise Faults(faults)
        return self


class MapTable(_Table):
    """The whole document."""

    schema_: Literal["stanch.map/1"] = Field(alias="schema")
    recording: RecordingTable
    acquisition: AcquisitionTable = Field(default_factory=AcquisitionTable)
    geometry: GeometryTable | None = None
    well: list[WellTable] = Field(min_length=1, max_length=999)
