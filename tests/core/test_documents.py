from __future__ import annotations

from typing import Annotated, Any, Literal

import pytest
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Strict,
    Tag,
    ValidationError,
    model_validator,
)

from stanch.documents import Faults, faults_of, nearest, said
from stanch.errors import InputError


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Round(Table):
    kind: Literal["round"]
    radius: Annotated[float, Strict(), Field(gt=0, le=9)]


class Square(Table):
    kind: Literal["square"]
    side: float = 1.0
    label: Literal["plain", "dotted"] = "plain"


class Ink(Table):
    name: str
    dark: Annotated[bool, Strict()] = False


class Pair(Table):
    low: float = 0.0
    high: float = 1.0

    @model_validator(mode="after")
    def _ordered(self) -> Pair:
        if not self.low < self.high:
            raise Faults([("low", "got too much"), ("high", "got too little")])
        return self


Ending = Annotated[
    Annotated[Ink, Tag("ink")] | Annotated[Pair, Tag("pair")],
    Discriminator(lambda value: "ink" if "name" in value else "pair"),
]


def _named(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


class Document(Table):
    schema_: Literal["drawing/1"] = Field(alias="schema")
    count: Annotated[int, Strict(), Field(ge=1)] = 1
    shape: list[Annotated[Round | Square, Field(discriminator="kind")]] = Field(default_factory=list)
    inks: list[Annotated[Ink, BeforeValidator(_named)]] | str = "none"
    sides: Annotated[list[int], Field(min_length=2)] | None = None
    notes: dict[str, float] | None = None
    end: Ending | None = None


def faults(**changes: Any) -> list[str]:
    with pytest.raises(ValidationError) as caught:
        Document.model_validate({"schema": "drawing/1", **changes})
    return faults_of(caught.value, Document)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"schema": "drawing/2"}, "schema: got 'drawing/2'; allowed: drawing/1"),
        ({"count": "3"}, "count: got '3'; allowed: a whole number, without quotes"),
        ({"count": True}, "count: got true; allowed: a whole number, without quotes"),
        ({"count": 0}, "count: got 0; allowed: at least 1"),
        ({"cuont": 3}, "cuont: unknown key; did you mean count?"),
        ({"zzz": 3}, "zzz: unknown key; allowed: schema, count, shape, inks, sides, notes, end"),
        ({"shape": {}}, "shape: got a table; allowed: a list"),
        ({"shape": [{"radius": 1}]}, "shape[1].kind: missing; allowed: it must be given"),
        ({"shape": [{"kind": "rund"}]}, "shape[1]: got 'rund'; allowed: round, square; did you mean round?"),
        ({"shape": [{"kind": "round"}]}, "shape[1].radius: missing; allowed: it must be given"),
        ({"shape": [{"kind": "round", "radius": 10}]}, "shape[1].radius: got 10; allowed: at most 9"),
        ({"shape": [{"kind": "round", "radius": 0.0}]}, "shape[1].radius: got 0.0; allowed: above 0"),
        ({"shape": [{"kind": "square", "sid": 1}]}, "shape[1].sid: unknown key; did you mean side?"),
        ({"shape": [{"kind": "square", "zzz": 1}]}, "shape[1].zzz: unknown key; allowed: kind, side, label"),
        ({"shape": [{"kind": "square", "label": ""}]}, "shape[1].label: got ''; allowed: plain, dotted"),
        ({"sides": [1]}, "sides: got a list; allowed: at least 2"),
        ({"notes": {"a b": "x"}}, "notes.a b: got 'x'; allowed: a number, without quotes"),
        ({"end": {"name": "x", "drak": 1}}, "end.drak: unknown key; did you mean dark?"),
        ({"end": {"name": "x", "dark": 1}}, "end.dark: got 1; allowed: true or false"),
    ],
)
def test_a_fault_is_one_line_in_the_words_of_the_document(changes: dict[str, Any], told: str) -> None:
    assert faults(**changes) == [told]


def test_faults_of_a_table_are_told_one_by_one() -> None:
    assert faults(end={"low": 2.0}) == ["end.low: got too much", "end.high: got too little"]


def test_a_mark_of_a_choice_between_kinds_is_not_part_of_the_path() -> None:
    assert "inks[1].dark: got 'no'; allowed: true or false" in faults(inks=[{"name": "a", "dark": "no"}])


def test_all_faults_come_at_once() -> None:
    found = faults(count=0, shape=[{"kind": "round", "radius": "1"}, {"kind": "oval"}], sides=["x", "y"])
    assert [one.split(":")[0] for one in found] == ["count", "shape[1].radius", "shape[2]", "sides[1]", "sides[2]"]


def test_long_values_are_shortened() -> None:
    assert len(faults(count="9" * 500)[0]) < 150


def test_nearest_and_said() -> None:
    assert nearest("hepann", ["heparin", "lysis"]) == "; allowed: heparin, lysis; did you mean heparin?"
    assert nearest("x", ["heparin"], listing=False) == ""
    assert said(InputError("radius", got=3, allowed="below 2")) == "got 3; allowed: below 2"
