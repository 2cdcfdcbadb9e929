"""The records of virtual blood: what a sample is made of, what a well adds, and what comes out of each step.

All in SI units: amounts in mol/m^3 (1 nmol/L = 1e-6 mol/m^3), masses in kg/m^3 (1 g/L = 1 kg/m^3), counts in 1/m^3
(10^9/L = 1e12 1/m^3), heparin in IU/m^3 (1 IU/mL = 1e6 IU/m^3), activities as a fraction of pooled normal plasma.
Concentrations of proteins are per volume of plasma, counts of cells per volume of blood.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError

__all__ = ["ACTIVATORS", "FACTORS", "HIGHEST", "RANGES", "Composition", "Constant", "Contents", "ThrombinCourse"]

Floats = NDArray[np.float64]
Activator = Literal["tissue factor", "contact", "none"]
ACTIVATORS: tuple[Activator, ...] = ("tissue factor", "contact", "none")

FACTORS = ("II", "V", "VII", "VIII", "IX", "X", "XI", "XII", "XIII", "prekallikrein", "TFPI", "C1 inhibitor")
"""Proteins whose activity can differ from normal; VII takes its active share with it."""

HIGHEST: dict[str, float] = {
    "fibrinogen": 20.0,
    "platelets": 3e15,
    "platelet_function": 5.0,
    "haematocrit": 0.8,
    "antithrombin": 5.0,
    "heparin": 1e8,
    "plasminogen": 5.0,
    "antiplasmin": 5.0,
    "tpa": 1e-3,
    "dilution": 0.95,
    "xa_inhibitor": 1e-2,
}
"""Up to what a composition may go, from 0 [SI unit]."""

RANGES: dict[str, tuple[float, float]] = {
    "tissue_factor": (0.0, 1e-4),
    "contact_strength": (0.0, 100.0),
    "neutraliser": (0.0, 1e9),
    "block_fraction": (0.0, 1.0),
    "antifibrinolytic": (0.0, 1.0),
    "blood_share": (0.05, 1.0),
    "temperature": (288.15, 315.15),
}
"""What the contents of a well may be [SI unit]."""


@dataclass(frozen=True)
class Constant:
    """One number that virtual blood rests on.

    Parameters
    ----------
    key : str
        Snake case.
    value : float
        In the unit of `unit` [SI unit].
    unit : str
        SI unit.
    origin : str
        published (read in or computed from the source named), calibrated (set so that results are plausible, with
        `source` saying against what), choice (the literature leaves it open).
    source : str
        Citation, or the reason.
    """

    key: str
    value: float
    unit: str
    origin: Literal["published", "calibrated", "choice"]
    source: str


@dataclass(frozen=True)
class Composition:
    """A sample of blood.

    Parameters
    ----------
    fibrinogen : float
        Per volume of plasma [kg/m^3].
    platelets : float
        Per volume of blood [1/m^3].
    platelet_function : float
        How strongly a platelet pulls, over normal [-].
    haematocrit : float
        Volume fraction of red cells [-].
    factors : mapping of str to float
        Activity over normal, keys of :data:`FACTORS`; what is left out is normal [-].
    antithrombin : float
        Activity over normal [-].
    heparin : float
        Unfractionated heparin per volume of plasma [IU/m^3].
    plasminogen, antiplasmin : float
        Activity over normal [-].
    tpa : float
        Active tissue plasminogen activator per volume of plasma [mol/m^3].
    dilution : float
        Share of the blood replaced by crystalloid, 0 to below 1: everything else is that of the blood before it [-].
    xa_inhibitor : float
        Direct inhibitor of factor Xa that no protein holds, per volume of plasma [mol/m^3].

    Raises
    ------
    InputError
        If a value is outside what blood can have.
    """

    fibrinogen: float = 3.0
    platelets: float = 250e12
    platelet_function: float = 1.0
    haematocrit: float = 0.42
    factors: Mapping[str, float] = field(default_factory=dict)
    antithrombin: float = 1.0
    heparin: float = 0.0
    plasminogen: float = 1.0
    antiplasmin: float = 1.0
    tpa: float = 7e-8
    dilution: float = 0.0
    xa_inhibitor: float = 0.0

    def __post_init__(self) -> None:
        for entry in fields(self):
            if entry.name == "factors":
                continue
            value = getattr(self, entry.name)
            if not (math.isfinite(value) and 0 <= value <= HIGHEST[entry.name]):
                raise InputError(entry.name, got=value, allowed=f"0 to {HIGHEST[entry.name]:g} (SI unit)")
        for name, value in self.factors.items():
            if name not in FACTORS:
                raise InputError("factors", got=name, allowed=", ".join(FACTORS))
            if not (math.isfinite(value) and 0 <= value <= 10):
                raise InputError(f"factors: {name}", got=value, allowed="0 to 10 times normal")

    def factor(self, name: str) -> float:
        """Activity of a factor over normal [-]."""
        return self.factors.get(name, 1.0)


@dataclass(frozen=True)
class Contents:
    """What a well adds to the blood.

    Parameters
    ----------
    activator : str
        tissue factor, contact or none.
    tissue_factor : float
        In the final volume [mol/m^3]; only with the activator tissue factor.
    contact_strength : float
        Contact surface over that of the standard reagent [-]; only with the activator contact.
    neutraliser : float
        Heparin it can take up, per volume of plasma in the well [IU/m^3].
    block_fraction : float
        Share of the platelets' pull that the blocker takes away [-].
    antifibrinolytic : float
        Share of the plasmin formation that it stops [-].
    blood_share : float
        Volume of blood over the final volume [-].
    temperature : float
        Of the well [K].

    Raises
    ------
    InputError
        If a value cannot be.
    """

    activator: Activator = "tissue factor"
    tissue_factor: float = 5e-9
    contact_strength: float = 1.0
    neutraliser: float = 0.0
    block_fraction: float = 0.0
    antifibrinolytic: float = 0.0
    blood_share: float = 1.0
    temperature: float = 310.15

    def __post_init__(self) -> None:
        if self.activator not in ACTIVATORS:
            raise InputError("activator", got=self.activator, allowed=", ".join(ACTIVATORS))
        for name, (low, high) in RANGES.items():
            value = getattr(self, name)
            if not (math.isfinite(value) and low <= value <= high):
                raise InputError(name, got=value, allowed=f"{low:g} to {high:g} (SI unit)")


@dataclass(frozen=True)
class ThrombinCourse:
    """Active enzymes of one well against time.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Even grid from 0 [s].
    thrombin, meizothrombin : ndarray, shape (time,)
        Free active IIa and mIIa [mol/m^3].
    factor_xa, prothrombin, inhibited : ndarray, shape (time,), or None
        Free Xa, prothrombin left, and thrombin and meizothrombin bound to antithrombin; None where the thrombin came
        from elsewhere [mol/m^3].
    """

    time: Floats
    thrombin: Floats
    meizothrombin: Floats
    factor_xa: Floats | None = None
    prothrombin: Floats | None = None
    inhibited: Floats | None = None
