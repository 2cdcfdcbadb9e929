"""The written form of the assay document: which keys it may have and of what type."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from stanch.errors import UnitError
from stanch.quantities import parse_quantity

__all__ = ["AssayText", "quantity_problem"]


def quantity_problem(error: UnitError) -> str:
    """The message of a unit error without the input's name, which the path in the document gives."""
    got = error.got if isinstance(error.got, str) else repr(error.got)
    return " ".join(f"got {got[:80]}; allowed: {error.allowed}. {error.do}".split())


def _reader(kind: str) -> Callable[[object], float]:
    def read(value: object) -> float:
        try:
            return parse_quantity(value, kind, "value")
        except UnitError as error:
            raise ValueError(quantity_problem(error)) from None

    return read


def _positive(kind: str) -> Callable[[object], float]:
    inner = _reader(kind)

    def read(value: object) -> float:
        number = inner(value)
        if number <= 0:
            raise ValueError(f"got {value}; allowed: more than zero. Correct the value.")
        return number

    return read


def _fraction(value: object) -> float:
    number = _reader("ratio")(value)
    if not 0 < number < 1:
        raise ValueError(f'got {value}; allowed: between "0 %" and "100 %", ends excluded. Correct the value.')
    return number


def _nfc(value: object) -> object:
    return unicodedata.normalize("NFC", value) if isinstance(value, str) else value


def _name(value: object) -> object:
    value = _nfc(value)
    if isinstance(value, str):
        if not value.strip():
            raise ValueError("got an empty text; allowed: a name. Write one.")
        if any(unicodedata.category(c) == "Cc" for c in value):
            raise ValueError("got control characters; allowed: printable text. Correct the name.")
    return value


_TEXT = WithJsonSchema({"type": "string"})
_QUANTITY = WithJsonSchema({"type": "string", "description": "A number and its unit, such as '8 min'."})

Name = Annotated[str, Field(max_length=200), BeforeValidator(_name), _TEXT]
Prose = Annotated[str, Field(max_length=2000), BeforeValidator(_nfc), _TEXT]
Sentence = Annotated[str, Field(max_length=2000), BeforeValidator(_name), _TEXT]
Pressure = Annotated[float, BeforeValidator(_positive("pressure")), _QUANTITY]
Duration = Annotated[float, BeforeValidator(_positive("time")), _QUANTITY]
Length = Annotated[float, BeforeValidator(_positive("length")), _QUANTITY]
Frequency = Annotated[float, BeforeValidator(_positive("frequency")), _QUANTITY]
Fraction = Annotated[float, BeforeValidator(_fraction), _QUANTITY]
Word = Annotated[str, Field(max_length=80)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class WellText(_Table):
    """A planned well."""

    name: Name
    activator: Name | None = None
    additives: list[Name] = Field(default_factory=list)


class SettingsText(_Table):
    """Settings of the analysis."""

    gate: Length | None = None
    estimator: Literal["autocorrelation", "correlation"] | None = None
    paths: Annotated[int, Field(ge=50, le=100_000)] | None = None
    frequency: Frequency | None = None
    rheology: Literal["kelvin_voigt", "spring_pot", "fractional_kelvin_voigt", "zener"] = "kelvin_voigt"


class ContrastText(_Table):
    """A number from two wells."""

    name: Name
    kind: Literal["ratio", "difference", "share", "decline"]
    reading: Word | None = None
    base: Name
    other: Name
    differs_in: Prose
    block_fraction: Fraction | None = None
    block_fraction_sd: Fraction | None = None
    lot: Name | None = None
    report: (
        Literal["difference", "remainder", "retention", "excess_loss_rate", "total_retention", "shared_decline"] | None
    ) = None
    inverse: bool = False


class LimitText(_Table):
    """A limit that the laboratory enters; `low` and `high` are read in the unit of what the limit is of."""

    of: Name
    kind: Literal["reference", "decision", "critical", "accept"]
    well: Name | None = None
    low: Word | None = None
    high: Word | None = None
    source: Sentence
    consequence: Literal["flag", "refuse_well"] = "flag"


class PairText(_Table):
    """What must hold between two wells or for a contrast."""

    name: Name
    reading: Word | None = None
    not_above: Annotated[list[Name], Field(min_length=2, max_length=2)] | None = None
    contrast: Name | None = None
    at_most: Word | None = None
    tolerance: Word | None = None


class ConditionText(_Table):
    """One side of one limit."""

    of: Name
    well: Name | None = None
    is_: Literal["above", "below", "not above", "not below"] = Field(alias="is")
    limit: Literal["reference", "decision", "critical"]


class RuleText(_Table):
    """When a sentence is supported."""

    key: Annotated[str, Field(max_length=80, pattern=r"^[a-z][a-z0-9_]*$")]
    group: Literal["quality", "heparin", "factors", "fibrin", "platelets", "lysis"]
    about: Sentence
    text: Sentence
    otherwise: Prose = ""
    when: list[ConditionText] = Field(default_factory=list)
    when_any: list[ConditionText] = Field(default_factory=list)
    minimum_probability: Fraction
    depends_on: list[Word] = Field(default_factory=list)
    contradicts: list[Word] = Field(default_factory=list)
    caution: Prose = ""
    approved_by: Prose = ""
    evidence: Prose = ""


class AssayText(_Table):
    """The assay document as written."""

    schema_: Literal["stanch.assay/1"] = Field(alias="schema")
    name: Name
    version: Name = "unversioned"
    demo: bool = False
    approved_by: Prose = ""
    onset_modulus: Pressure
    hold: Duration
    follow: Duration
    dwell: Duration = 60.0
    settings: SettingsText = Field(default_factory=SettingsText)
    well: Annotated[list[WellText], Field(min_length=1, max_length=1000)] | None = None
    contrast: list[ContrastText] = Field(default_factory=list)
    limit: list[LimitText] = Field(default_factory=list)
    pair: list[PairText] = Field(default_factory=list)
    rule: list[RuleText] = Field(default_factory=list)
    not_assessed: list[Sentence] = Field(default_factory=list)
    cannot_see: list[Sentence] = Field(default_factory=list)
