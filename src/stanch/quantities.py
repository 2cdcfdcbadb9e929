"""The words as data: every quantity's key, label, unit and UCUM code, and units as text parsed at the edge.

Inside the package every number is in SI units. A ``Quantity`` says how a number is shown: ``unit`` is the unit at the
surface (tables, JSON, pages) and ``scale`` is the number of SI units in one of it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from stanch.errors import UnitError

__all__ = ["QUANTITIES", "UNITS", "Quantity", "Unit", "parse_quantity", "quantity"]


@dataclass(frozen=True)
class Unit:
    """A unit of measurement.

    Parameters
    ----------
    text : str
        How it is written at the surface.
    kind : str
        The dimension it measures.
    scale : float
        SI units in one of this unit [-].
    ucum : str
        Its UCUM code (case-sensitive form).
    offset : float
        Added after scaling, degrees Celsius only [K].
    """

    text: str
    kind: str
    scale: float
    ucum: str
    offset: float = 0.0


_UNIT_ROWS: tuple[tuple[str, str, float, str], ...] = (
    ("Pa", "pressure", 1.0, "Pa"),
    ("kPa", "pressure", 1e3, "kPa"),
    ("dyn/cm^2", "pressure", 0.1, "dyn/cm2"),
    ("Pa·s", "viscosity", 1.0, "Pa.s"),
    ("mPa·s", "viscosity", 1e-3, "mPa.s"),
    ("Pa/s", "pressure rate", 1.0, "Pa/s"),
    ("Pa/min", "pressure rate", 1.0 / 60.0, "Pa/min"),
    ("s", "time", 1.0, "s"),
    ("ms", "time", 1e-3, "ms"),
    ("us", "time", 1e-6, "us"),
    ("ns", "time", 1e-9, "ns"),
    ("min", "time", 60.0, "min"),
    ("h", "time", 3600.0, "h"),
    ("Hz", "frequency", 1.0, "Hz"),
    ("kHz", "frequency", 1e3, "kHz"),
    ("MHz", "frequency", 1e6, "MHz"),
    ("m", "length", 1.0, "m"),
    ("mm", "length", 1e-3, "mm"),
    ("um", "length", 1e-6, "um"),
    ("m/s", "speed", 1.0, "m/s"),
    ("um/s", "speed", 1e-6, "um/s"),
    ("kg/m^3", "density", 1.0, "kg/m3"),
    ("N/m^3", "force density", 1.0, "N/m3"),
    ("kN/m^3", "force density", 1e3, "kN/m3"),
    ("uL", "volume", 1e-9, "uL"),
    ("mL", "volume", 1e-6, "mL"),
    ("g/L", "mass concentration", 1.0, "g/L"),
    ("10^9/L", "number concentration", 1e12, "10*9/L"),
    ("IU/mL", "arbitrary activity", 1e6, "[IU]/mL"),
    ("pmol/L", "amount concentration", 1e-9, "pmol/L"),
    ("nmol/L", "amount concentration", 1e-6, "nmol/L"),
    ("umol/L", "amount concentration", 1e-3, "umol/L"),
    ("%", "ratio", 0.01, "%"),
    ("%/min", "rate", 0.01 / 60.0, "%/min"),
    ("1/min", "rate", 1.0 / 60.0, "1/min"),
    ("1/s", "rate", 1.0, "/s"),
    ("1/m^2", "inverse area", 1.0, "1/m2"),
    ("dB", "level", 1.0, "dB"),
    ("dB/cm", "attenuation", 11.512925464970229, "dB/cm"),
    ("K", "temperature", 1.0, "K"),
    ("1", "ratio", 1.0, "1"),
)

UNITS: dict[str, Unit] = {row[0]: Unit(*row) for row in _UNIT_ROWS}
UNITS["Cel"] = Unit("Cel", "temperature", 1.0, "Cel", 273.15)

_ALIASES: dict[str, str] = {
    "Pa s": "Pa·s",
    "Pa.s": "Pa·s",
    "Pa*s": "Pa·s",
    "mPa s": "mPa·s",
    "mPa.s": "mPa·s",
    "mPa*s": "mPa·s",
    "µs": "us",
    "μs": "us",
    "µm": "um",
    "μm": "um",
    "µL": "uL",
    "μL": "uL",
    "kg/m3": "kg/m^3",
    "kg/m³": "kg/m^3",
    "N/m3": "N/m^3",
    "N/m³": "N/m^3",
    "dyn/cm2": "dyn/cm^2",
    "°C": "Cel",
    "degC": "Cel",
    "10*9/L": "10^9/L",
    "[IU]/mL": "IU/mL",
}

_QUANTITY = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*$")


def unit(text: str, where: str = "unit") -> Unit:
    """Look up a unit by its text.

    Raises
    ------
    UnitError
        If the unit is not one of the fixed table.
    """
    name = _ALIASES.get(text, text)
    found = UNITS.get(name)
    if found is None:
        raise UnitError(where, got=text, allowed=", ".join(UNITS), do="Write one of these units after the number.")
    return found


def parse_quantity(text: object, kind: str, where: str) -> float:
    """Read ``"40 MHz"`` as 4e7.

    Parameters
    ----------
    text : str
        A finite decimal number, a space if wanted, and a unit.
    kind : str
        The dimension wanted, as in :class:`Unit`.
    where : str
        The input's name, for the message.

    Returns
    -------
    float
        The value [SI unit].

    Raises
    ------
    UnitError
        If the number or the unit is missing, not finite, or of another kind.

    Examples
    --------
    >>> parse_quantity("125 us", "time", "frame_interval")
    0.000125
    """
    allowed = ", ".join(u.text for u in UNITS.values() if u.kind == kind)
    if not isinstance(text, str):
        raise UnitError(where, got=text, allowed=f"text with a unit of {kind} ({allowed})", do='Quote it: "3 mm".')
    match = _QUANTITY.match(text)
    if match is None:
        raise UnitError(where, got=text, allowed=f"a number and a unit of {kind} ({allowed})", do="Correct the value.")
    if match.group(2) is None:
        raise UnitError(where, got=text, allowed=f"a unit of {kind} ({allowed})", do="Add the unit.")
    found = UNITS.get(_ALIASES.get(match.group(2), match.group(2)))
    if found is None or found.kind != kind:
        raise UnitError(where, got=text, allowed=f"a unit of {kind} ({allowed})", do="Correct the unit.")
    # A decimal power is divided by where that is the exact operation: 125 us is 125/1e6, not 125*1e-6.
    inverse = 1.0 / found.scale
    number = float(match.group(1))
    value = (
        number / round(inverse) if found.scale < 1 and math.isclose(inverse, round(inverse)) else number * found.scale
    )
    value += found.offset
    if not math.isfinite(value):
        raise UnitError(where, got=text, allowed="a finite number", do="Correct the value.")
    return value


@dataclass(frozen=True)
class Quantity:
    """A named quantity: one key, one label, one unit.

    Parameters
    ----------
    key : str
        Snake case; used in TOML, JSON, CSV and Python.
    label : str
        Used on pages.
    unit : str
        The unit at the surface, a key of :data:`UNITS`.
    meaning : str
        One sentence.
    """

    key: str
    label: str
    unit: str
    meaning: str

    @property
    def scale(self) -> float:
        """SI units in one surface unit [-]."""
        return UNITS[self.unit].scale

    @property
    def ucum(self) -> str:
        """The UCUM code of the surface unit."""
        return UNITS[self.unit].ucum


_ROWS: tuple[tuple[str, str, str, str], ...] = (
    ("modulus", "Modulus G'", "Pa", "Storage modulus at the stated frequency; for a Kelvin-Voigt medium simply G."),
    (
        "viscosity",
        "Viscosity",
        "Pa·s",
        "Viscosity of the Kelvin-Voigt medium; else loss modulus over angular frequency.",
    ),
    ("loss_tangent", "Loss tangent", "1", "Loss modulus over storage modulus at the stated frequency."),
    ("damping_ratio", "Damping ratio", "1", "Damping of the well's slowest mode over its critical damping."),
    ("force", "Push force density", "N/m^3", "Peak body force of the push at its focus."),
    ("displacement", "Displacement", "um", "Movement along the beam, positive away from the transducer."),
    ("coherence", "Coherence", "1", "Normalised correlation of a tracking line with its reference."),
    ("strain", "Push strain", "%", "Peak displacement over push radius."),
    ("onset", "Onset", "min", "First time at which the modulus stays at or above the onset modulus for the dwell."),
    ("gel_time", "Gel time", "min", "First time at which the loss tangent stays at or below 1 for the dwell."),
    ("onset_delay", "Onset delay", "min", "Onset minus gel time."),
    ("early_modulus", "Early modulus", "Pa", "Modulus one hold after the anchor."),
    ("plateau", "Plateau", "Pa", "Highest two-minute mean of the modulus."),
    ("plateau_entry", "Plateau entry", "min", "First time at 95 % of the plateau."),
    ("steepest_rise", "Steepest rise", "Pa/min", "Largest slope of a one-minute chord of the modulus curve."),
    ("remaining", "Remaining", "%", "Two-minute mean one follow after plateau entry, over the plateau."),
    (
        "retention",
        "Retention",
        "%",
        "Modulus kept relative to the antifibrinolytic well between two clot ages.",
    ),
    (
        "excess_loss_rate",
        "Excess loss rate",
        "%/min",
        "Loss per minute beyond the antifibrinolytic well.",
    ),
    (
        "total_retention",
        "Total retention",
        "%",
        "Modulus relative to the antifibrinolytic well at the last clot age.",
    ),
    (
        "shared_decline",
        "Shared decline",
        "%",
        "Modulus lost between the two clot ages in the antifibrinolytic well.",
    ),
    ("time", "Time", "min", "Time since the well's own activation."),
    ("clot_age", "Clot age", "min", "Time since the well's own onset."),
    ("temperature", "Temperature", "Cel", "Temperature of the well block."),
    ("haematocrit", "Haematocrit", "%", "Volume fraction of red cells."),
    ("platelets", "Platelet count", "10^9/L", "Platelets per volume of blood."),
    ("fibrinogen", "Fibrinogen", "g/L", "Fibrinogen per volume of plasma."),
)

QUANTITIES: dict[str, Quantity] = {row[0]: Quantity(*row) for row in _ROWS}


def quantity(key: str) -> Quantity:
    """The quantity of this key.

    Raises
    ------
    UnitError
        If there is none.
    """
    found = QUANTITIES.get(key)
    if found is None:
        raise UnitError("quantity", got=key, allowed=", ".join(QUANTITIES), do="Use a listed key.")
    return found
