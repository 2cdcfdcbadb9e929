"""Field types for scenario documents: a quantity is written as text with its unit and arrives in SI units."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from pydantic import BeforeValidator

from stanch.documents import repeated
from stanch.errors import UnitError
from stanch.quantities import UNITS, parse_quantity


def _number(value: object, kind: str) -> tuple[float, str]:
    """The number in SI units, and the text as a message repeats it."""
    if not isinstance(value, str):
        raise ValueError(f"got {repeated(value)}; allowed: text in quotes, a number with a unit of {kind}")
    try:
        return parse_quantity(value, kind, "value"), repr(value[:60])
    except UnitError as error:
        raise ValueError(f"got {value[:60]!r}; allowed: {error.allowed}") from None


def within(unit: str, low: float, high: float) -> Callable[[object], float]:
    """A reader of quantities between two ends, which a message tells in a unit.

    Parameters
    ----------
    unit : str
        Key of ``quantities.UNITS``; other units of its kind are read as well.
    low, high : float
        [SI unit].

    Returns
    -------
    callable
        From text to SI units; raises ValueError.
    """
    told = UNITS[unit]

    def read(value: object) -> float:
        number, got = _number(value, told.kind)
        if not low <= number <= high:
            ends = [f"{(end - told.offset) / told.scale:.6g}" for end in (low, high)]
            raise ValueError(f"got {got}; allowed: {ends[0]} to {ends[1]} {unit}")
        return number

    return read


def _reader(kind: str, lowest: str = "") -> Callable[[object], float]:
    def read(value: object) -> float:
        number, got = _number(value, kind)
        if (lowest == "above 0" and number <= 0) or (lowest == "0 or above" and number < 0):
            raise ValueError(f"got {got}; allowed: {lowest}")
        return number

    return read


Activity = Annotated[float, BeforeValidator(_reader("arbitrary activity", "0 or above"))]
Amount = Annotated[float, BeforeValidator(_reader("amount concentration", "0 or above"))]
Attenuation = Annotated[float, BeforeValidator(_reader("attenuation", "0 or above"))]
Concentration = Annotated[float, BeforeValidator(_reader("mass concentration", "0 or above"))]
Count = Annotated[float, BeforeValidator(_reader("number concentration", "0 or above"))]
Density = Annotated[float, BeforeValidator(_reader("density", "above 0"))]
Force = Annotated[float, BeforeValidator(_reader("force density", "0 or above"))]
Frequency = Annotated[float, BeforeValidator(_reader("frequency", "above 0"))]
Length = Annotated[float, BeforeValidator(_reader("length", "above 0"))]
LengthOrZero = Annotated[float, BeforeValidator(_reader("length", "0 or above"))]
SignedLength = Annotated[float, BeforeValidator(_reader("length"))]
Level = Annotated[float, BeforeValidator(_reader("level"))]
LevelOrZero = Annotated[float, BeforeValidator(_reader("level", "0 or above"))]
Modulus = Annotated[float, BeforeValidator(_reader("pressure", "above 0"))]
ModulusOrZero = Annotated[float, BeforeValidator(_reader("pressure", "0 or above"))]
Rate = Annotated[float, BeforeValidator(_reader("rate", "0 or above"))]
Ratio = Annotated[float, BeforeValidator(_reader("ratio", "0 or above"))]
SignedSpeed = Annotated[float, BeforeValidator(_reader("speed"))]
Speed = Annotated[float, BeforeValidator(_reader("speed", "above 0"))]
SpeedOrZero = Annotated[float, BeforeValidator(_reader("speed", "0 or above"))]
SignedTemperature = Annotated[float, BeforeValidator(_reader("temperature"))]
Temperature = Annotated[float, BeforeValidator(_reader("temperature", "above 0"))]
Time = Annotated[float, BeforeValidator(_reader("time", "above 0"))]
TimeOrZero = Annotated[float, BeforeValidator(_reader("time", "0 or above"))]
Viscosity = Annotated[float, BeforeValidator(_reader("viscosity", "above 0"))]
ViscosityOrZero = Annotated[float, BeforeValidator(_reader("viscosity", "0 or above"))]
Volume = Annotated[float, BeforeValidator(_reader("volume", "above 0"))]
