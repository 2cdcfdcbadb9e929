"""The tables of a scenario document that say what the blood is and what each well adds to it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_type_hints

from pydantic import BeforeValidator, StrictBool, create_model, model_validator

from stanch.documents import Faults
from stanch.errors import InputError
from stanch.quantities import UNITS
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.records import FACTORS, HIGHEST, RANGES, Composition, Contents
from stanch.virtual.document import Table
from stanch.virtual.quantity_types import within

__all__ = [
    "CHOICE_UNITS",
    "UNITS_OF_BLOOD",
    "BloodTable",
    "ChoicesTable",
    "ContentsTable",
    "FactorsTable",
    "shown_factor",
    "shown_key",
]

UNITS_OF_BLOOD: dict[str, str] = {
    "fibrinogen": "g/L",
    "platelets": "10^9/L",
    "platelet_function": "%",
    "haematocrit": "%",
    "antithrombin": "%",
    "heparin": "IU/mL",
    "plasminogen": "%",
    "antiplasmin": "%",
    "tpa": "nmol/L",
    "dilution": "%",
    "xa_inhibitor": "nmol/L",
    "tissue_factor": "pmol/L",
    "contact_strength": "%",
    "neutraliser": "IU/mL",
    "block_fraction": "%",
    "antifibrinolytic": "%",
    "blood_share": "%",
    "temperature": "Cel",
}
"""The unit in which a bound of each key is told."""

_SHOWN = {"tpa": "tPA", "xa_inhibitor": "factor Xa inhibitor"}
_NOT_NUMBERED = {"prekallikrein", "TFPI", "C1 inhibitor"}


def shown_key(key: str) -> str:
    """A part of the composition as a reader knows it."""
    return _SHOWN.get(key, key.replace("_", " "))


def shown_factor(name: str) -> str:
    """A protein of ``factors`` as a reader knows it: numbers are those of clotting factors."""
    return name if name in _NOT_NUMBERED else f"factor {name}"


CHOICE_UNITS: dict[str, str] = {"adhesion": "Pa", "detachment_step": "um", "frequency": "Hz"}
"""Unit of every choice that is a number but not a ratio."""


def _part(key: str) -> BeforeValidator:
    return BeforeValidator(within(UNITS_OF_BLOOD[key], 0.0, HIGHEST[key]))


def _added(key: str) -> BeforeValidator:
    return BeforeValidator(within(UNITS_OF_BLOOD[key], *RANGES[key]))


Fibrinogen = Annotated[float, _part("fibrinogen")]
Platelets = Annotated[float, _part("platelets")]
PlateletFunction = Annotated[float, _part("platelet_function")]
Haematocrit = Annotated[float, _part("haematocrit")]
Antithrombin = Annotated[float, _part("antithrombin")]
Heparin = Annotated[float, _part("heparin")]
Plasminogen = Annotated[float, _part("plasminogen")]
Antiplasmin = Annotated[float, _part("antiplasmin")]
Tpa = Annotated[float, _part("tpa")]
Dilution = Annotated[float, _part("dilution")]
XaInhibitor = Annotated[float, _part("xa_inhibitor")]
TissueFactor = Annotated[float, _added("tissue_factor")]
ContactStrength = Annotated[float, _added("contact_strength")]
Neutraliser = Annotated[float, _added("neutraliser")]
BlockFraction = Annotated[float, _added("block_fraction")]
Antifibrinolytic = Annotated[float, _added("antifibrinolytic")]
BloodShare = Annotated[float, _added("blood_share")]
Temperature = Annotated[float, _added("temperature")]

_NORMAL = Composition()
_PLAIN = Contents()


def _choice(name: str, kind: Any) -> Any:
    if kind is bool:
        return StrictBool
    if kind is float:
        return Annotated[float, BeforeValidator(within(CHOICE_UNITS.get(name, "1"), 0.0, math.inf))]
    return kind


def _out_of_range(name: str, value: Any) -> Iterator[tuple[str, str]]:
    try:
        Choices(**{name: value})
    except InputError as error:
        kind = UNITS[CHOICE_UNITS.get(name, "1")].kind
        unit = next(one.text for one in UNITS.values() if (one.kind, one.scale, one.offset) == (kind, 1.0, 0.0))
        shown = "" if unit == "1" else f" {unit}"
        yield name, f"got {error.got:g}{shown}; allowed: {error.allowed.removesuffix(' (SI unit)')}{shown}"


if TYPE_CHECKING:

    class FactorsTable(Table):
        """Made below."""

    class ChoicesTable(Table):
        """Made below."""

else:

    class _ChoicesBase(Table):
        @model_validator(mode="after")
        def _agrees(self):
            faults = [fault for name in self.model_fields_set for fault in _out_of_range(name, getattr(self, name))]
            if faults:
                raise Faults(faults)
            return self

    FactorsTable = create_model(
        "FactorsTable",
        __base__=Table,
        __module__=__name__,
        __doc__="``[blood.factors]``: activity of proteins over normal; what is left out is normal.",
        **{name: (Annotated[float, BeforeValidator(within("%", 0.0, 10.0))], 1.0) for name in FACTORS},
    )
    ChoicesTable = create_model(
        "ChoicesTable",
        __base__=_ChoicesBase,
        __module__=__name__,
        __doc__="``[blood.choices]``: what the literature leaves open, with the defaults of virtual blood.",
        **{one.name: (_choice(one.name, get_type_hints(Choices)[one.name]), one.default) for one in fields(Choices)},
    )


class BloodTable(Table):
    """``[blood]``: the sample as it is in the tube, before a well adds anything; what is left out is normal."""

    fibrinogen: Fibrinogen = _NORMAL.fibrinogen
    platelets: Platelets = _NORMAL.platelets
    platelet_function: PlateletFunction = _NORMAL.platelet_function
    haematocrit: Haematocrit = _NORMAL.haematocrit
    factors: FactorsTable = FactorsTable()
    antithrombin: Antithrombin = _NORMAL.antithrombin
    heparin: Heparin = _NORMAL.heparin
    plasminogen: Plasminogen = _NORMAL.plasminogen
    antiplasmin: Antiplasmin = _NORMAL.antiplasmin
    tpa: Tpa = _NORMAL.tpa
    dilution: Dilution = _NORMAL.dilution
    xa_inhibitor: XaInhibitor = _NORMAL.xa_inhibitor
    choices: ChoicesTable = ChoicesTable()

    def record(self) -> Composition:
        """The composition in SI units; factors that are normal are left out."""
        values = self.model_dump(exclude={"choices", "factors"})
        factors = {name: value for name, value in self.factors.model_dump().items() if value != 1.0}
        return Composition(**values, factors=factors)

    def choice_record(self) -> Choices:
        """The choices in SI units."""
        return Choices(**self.choices.model_dump())


class ContentsTable(Table):
    """``[well.contents]``: what a well adds to the blood."""

    activator: Literal["tissue factor", "contact", "none"]
    tissue_factor: TissueFactor | None = None
    contact_strength: ContactStrength | None = None
    neutraliser: Neutraliser = _PLAIN.neutraliser
    block_fraction: BlockFraction = _PLAIN.block_fraction
    antifibrinolytic: Antifibrinolytic = _PLAIN.antifibrinolytic
    blood_share: BloodShare | None = None
    temperature: Temperature | None = None

    @model_validator(mode="after")
    def _agrees(self) -> ContentsTable:
        for key, activator in (("tissue_factor", "tissue factor"), ("contact_strength", "contact")):
            if getattr(self, key) is not None and self.activator != activator:
                raise Faults([(key, f"stated with the activator {self.activator!r}; allowed: with {activator!r}")])
        return self

    def record(self, *, blood_share: float, temperature: float) -> Contents:
        """The contents in SI units.

        Parameters
        ----------
        blood_share : float
            Of the well [-].
        temperature : float
            Of the well [K].

        Returns
        -------
        Contents
        """
        values = self.model_dump(exclude={"blood_share", "temperature"}, exclude_none=True)
        return Contents(**values, blood_share=blood_share, temperature=temperature)
