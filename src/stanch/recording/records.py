"""The records of a recording: acquisition, geometry, wells and sample facts.

Every sample fact may be unknown; unknown is ``None``, never zero and never an empty string.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Literal

from stanch.errors import InputError

__all__ = ["Acquisition", "Additive", "Geometry", "SampleFacts", "SignalKind", "Well", "blood_density"]

SignalKind = Literal["echo", "displacement", "modulus"]
ROLES = ("patient", "control", "gel", "blank", "exercise")


def blood_density(haematocrit: float) -> float:
    """Density of whole blood.

    Parameters
    ----------
    haematocrit : float
        Volume fraction of red cells [-].

    Returns
    -------
    float
        1025 (1 - H) + 1097 H [kg/m^3].

    Raises
    ------
    InputError
        If the fraction is not between 0 and 1.

    Notes
    -----
    Mixture of plasma at 1025 kg/m^3 and red cells at 1097 kg/m^3 (handbook values, from memory).

    Examples
    --------
    >>> round(blood_density(0.45), 1)
    1057.4
    """
    if not 0 <= haematocrit <= 1:
        raise InputError("haematocrit", got=haematocrit, allowed="a fraction from 0 to 1")
    return 1025.0 * (1.0 - haematocrit) + 1097.0 * haematocrit


def _positive(record: object, *names: str) -> None:
    for name in names:
        value = getattr(record, name)
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, got=value, allowed="a positive finite number (SI units)", do="Correct it.")


@dataclass(frozen=True)
class Acquisition:
    """How the echoes were taken.

    Parameters
    ----------
    sampling_rate, centre_frequency : float
        Of the echo [Hz].
    sound_speed : float
        [m/s].
    density : float
        Of the sample [kg/m^3].
    push_duration : float
        Time the radiation force is on, from time zero of ``frame_time`` [s].
    frames_before_push : int
        Frames at the start of each push's block that precede it [-].
    first_sample_depth : float
        Position of sample 0 along the beam, 0 at the push focus, positive away from the transducer [m].
    echo_form : str
        ``rf`` (real samples) or ``iq`` (last axis in-phase, quadrature).
    demodulation_frequency : float or None
        Of ``iq`` echoes [Hz].
    """

    sampling_rate: float
    centre_frequency: float
    sound_speed: float
    density: float
    push_duration: float
    frames_before_push: int
    first_sample_depth: float
    echo_form: Literal["rf", "iq"] = "rf"
    demodulation_frequency: float | None = None

    def __post_init__(self) -> None:
        _positive(self, "sampling_rate", "centre_frequency", "sound_speed", "density", "push_duration")
        if self.frames_before_push < 1:
            raise InputError("frames_before_push", got=self.frames_before_push, allowed="1 or more")
        if self.echo_form not in ("rf", "iq"):
            raise InputError("echo_form", got=self.echo_form, allowed="rf, iq")
        if self.echo_form == "iq" and self.demodulation_frequency is None:
            raise InputError("demodulation_frequency", got=None, allowed="a frequency, since the echo form is iq")
        if self.echo_form == "rf" and self.sampling_rate < 2 * self.centre_frequency:
            raise InputError("sampling_rate", got=self.sampling_rate, allowed="at least twice the centre frequency")

    @property
    def sample_spacing(self) -> float:
        """Depth between samples, two-way travel [m]."""
        return self.sound_speed / (2.0 * self.sampling_rate)


@dataclass(frozen=True)
class Geometry:
    """The well, the push and the tracking beam.

    Parameters
    ----------
    well_radius, well_depth : float
        Inner radius and depth of the sample [m].
    focus_height : float
        Push focus above the well's base [m].
    push_radius : float
        a in exp(-r^2/a^2) of the force [m].
    push_length : float
        L in exp(-(z/L)^2) of the force [m].
    beam_radius : float
        w in exp(-r^2/w^2) of the pulse-echo energy sensitivity [m].
    beam_from : str
        ``base`` (the beam points up) or ``lid`` (down).
    lid : str
        ``rigid`` (no slip) or ``free`` (traction-free).
    """

    well_radius: float
    well_depth: float
    focus_height: float
    push_radius: float
    push_length: float
    beam_radius: float
    beam_from: Literal["base", "lid"] = "base"
    lid: Literal["rigid", "free"] = "rigid"

    def __post_init__(self) -> None:
        _positive(self, "well_radius", "well_depth", "focus_height", "push_radius", "push_length", "beam_radius")
        if self.focus_height >= self.well_depth:
            raise InputError("focus_height", got=self.focus_height, allowed=f"below well_depth {self.well_depth} m")
        if self.push_radius >= self.well_radius or self.beam_radius >= self.well_radius:
            raise InputError("push_radius or beam_radius", got=self.push_radius, allowed="below well_radius")
        if self.beam_from not in ("base", "lid"):
            raise InputError("beam_from", got=self.beam_from, allowed="base, lid")
        if self.lid not in ("rigid", "free"):
            raise InputError("lid", got=self.lid, allowed="rigid, free")

    def height(self, depth: float) -> float:
        """Height above the base [m] of a beam position `depth` [m]."""
        return self.focus_height + depth if self.beam_from == "base" else self.focus_height - depth


@dataclass(frozen=True)
class Additive:
    """A reagent put into a well; amount, lot and expiry (ISO date) may be unknown."""

    name: str
    amount: str | None = None
    lot: str | None = None
    expiry: str | None = None


@dataclass(frozen=True)
class Well:
    """One measuring chamber: an activator and its additives.

    Parameters
    ----------
    name : str
        Unique in the recording, NFC.
    activator : str or None
        None is unknown; "none" is none.
    additives : tuple of Additive
        Beside the activator.
    activator_amount, activator_lot, activator_expiry : str or None
        Of the activator.
    sample_volume, final_volume : float or None
        [m^3].
    fill_height : float or None
        Of the filled sample above the base [m].
    activated_at : str or None
        UTC time with offset (ISO 8601) of activation; zero of ``push_time``.
    activation_offset : float
        True activation minus `activated_at` [s].
    activation_sd : float or None
        Standard uncertainty of that; None is unknown, which is not zero [s].
    """

    name: str
    activator: str | None = None
    additives: tuple[Additive, ...] = ()
    activator_amount: str | None = None
    activator_lot: str | None = None
    activator_expiry: str | None = None
    sample_volume: float | None = None
    final_volume: float | None = None
    fill_height: float | None = None
    activated_at: str | None = None
    activation_offset: float = 0.0
    activation_sd: float | None = None

    @property
    def additive_names(self) -> frozenset[str]:
        """Names of the additives."""
        return frozenset(a.name for a in self.additives)


@dataclass(frozen=True)
class SampleFacts:
    """What is known of the sample; every fact may be unknown (None).

    Parameters
    ----------
    sample : str
        The sample's name or pseudonym.
    role : str or None
        patient, control, gel, blank or exercise.
    drawn_at, received_at : str or None
        UTC time with offset (ISO 8601).
    site, tube, anticoagulant, fill, storage, phase : str or None
        As written by the laboratory.
    haemolysis, lipaemia, icterus : str or None
        Degree, as written by the laboratory.
    haematocrit : float or None
        Volume fraction [-].
    platelets : float or None
        [1/m^3].
    fibrinogen : float or None
        [g/L], numerically kg/m^3.
    drugs, products : tuple of str or None
        Given before the draw; an empty tuple is "none", None is unknown.
    """

    sample: str
    role: str | None = None
    drawn_at: str | None = None
    received_at: str | None = None
    site: str | None = None
    tube: str | None = None
    anticoagulant: str | None = None
    fill: str | None = None
    storage: str | None = None
    phase: str | None = None
    haemolysis: str | None = None
    lipaemia: str | None = None
    icterus: str | None = None
    haematocrit: float | None = None
    platelets: float | None = None
    fibrinogen: float | None = None
    drugs: tuple[str, ...] | None = None
    products: tuple[str, ...] | None = None
    demo: bool = field(default=False)

    def __post_init__(self) -> None:
        if self.role is not None and self.role not in ROLES:
            raise InputError("role", got=self.role, allowed=", ".join(ROLES) + " or unknown")
        if self.haematocrit is not None and not 0 <= self.haematocrit < 1:
            raise InputError("haematocrit", got=self.haematocrit, allowed="a fraction from 0 to below 1")

    def unknown(self) -> tuple[str, ...]:
        """Keys of the facts that are unknown."""
        return tuple(f.name for f in fields(self) if getattr(self, f.name) is None)
