"""``[blood]`` and ``[well.contents]`` of a scenario document."""

from __future__ import annotations

import inspect
import re
from dataclasses import fields

import pytest

from stanch.errors import DocumentError
from stanch.quantities import UNITS
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.records import FACTORS, HIGHEST, RANGES, Composition, Contents
from stanch.virtual.blood_tables import (
    CHOICE_UNITS,
    UNITS_OF_BLOOD,
    BloodTable,
    ChoicesTable,
    ContentsTable,
    FactorsTable,
)
from stanch.virtual.scenario import parse_scenario

BLOOD = """
[blood]
fibrinogen = "1.3 g/L"
platelets = "74 10^9/L"
platelet_function = "80 %"
haematocrit = "27 %"
antithrombin = "55 %"
heparin = "0.3 IU/mL"
plasminogen = "70 %"
antiplasmin = "60 %"
tpa = "0.7 nmol/L"
dilution = "10 %"

[blood.factors]
VIII = "150 %"
"C1 inhibitor" = "80 %"
V = "100 %"

[blood.choices]
meizothrombin_clots = false
gel_share = "25 %"
adhesion = "1 kPa"
rheology = "critical_gel"
"""
CONTAINING = 'contents]\nactivator = "tissue factor"'
WELL = """
[[well]]
name = "{name}"
activator = "tissue factor"
sample_volume = "160 uL"
final_volume = "200 uL"

[well.contents]
{contents}
"""
FULL = """activator = "tissue factor"
tissue_factor = "5 pmol/L"
neutraliser = "5 IU/mL"
block_fraction = "94 %"
antifibrinolytic = "98 %"
"""


@pytest.fixture
def text(scenario_text):
    def build(contents=FULL, *, blood=BLOOD, faults="", more=""):
        head = scenario_text()
        cut = head.index("[[well]]")
        return head[:cut] + blood + WELL.format(name="a", contents=contents) + more + faults

    return build


def problems(text):
    with pytest.raises(DocumentError) as caught:
        parse_scenario(text)
    return caught.value.problems


def test_blood_arrives_in_si_units(text):
    found = parse_scenario(text())
    assert found.blood.record() == Composition(
        fibrinogen=1.3,
        platelets=74e12,
        platelet_function=0.8,
        haematocrit=0.27,
        factors={"VIII": 1.5, "C1 inhibitor": 0.8},
        antithrombin=0.55,
        heparin=0.3e6,
        plasminogen=0.7,
        antiplasmin=0.6,
        tpa=0.7e-6,
        dilution=0.1,
    )
    assert found.blood.choice_record() == Choices(
        meizothrombin_clots=False, gel_share=0.25, adhesion=1000.0, rheology="critical_gel"
    )
    assert found.contents_record(0) == Contents(
        tissue_factor=5e-9, neutraliser=5e6, block_fraction=0.94, antifibrinolytic=0.98, blood_share=0.8
    )


def test_what_is_left_out_is_normal(text):
    found = parse_scenario(text('activator = "contact"', blood="[blood]\n"))
    assert found.blood.record() == Composition()
    assert found.blood.choice_record() == Choices()
    assert found.contents_record(0) == Contents(activator="contact", blood_share=0.8)


def test_what_a_well_states_of_its_own(text, scenario_text):
    found = parse_scenario(text(FULL + 'blood_share = "90 %"\ntemperature = "33 Cel"\n'))
    assert found.contents_record(0).blood_share == 0.9
    assert found.contents_record(0).temperature == pytest.approx(306.15)
    cool = text().replace("[instrument]", '[instrument]\ntemperature = "35 Cel"')
    assert parse_scenario(cool).contents_record(0).temperature == pytest.approx(308.15)
    whole = text().replace('sample_volume = "160 uL"\n', "")
    assert parse_scenario(whole).contents_record(0).blood_share == 1.0


def test_a_fault_of_dilution_leaves_less_blood_in_the_well(text):
    fault = '[[fault]]\nkind = "dilution"\nshare = "75 %"\n'
    assert parse_scenario(text(faults=fault)).contents_record(0).blood_share == pytest.approx(0.6)
    assert parse_scenario(text(FULL + 'blood_share = "90 %"', faults=fault)).contents_record(0).blood_share == 0.675
    much = problems(text(faults=fault.replace("75 %", "130 %")))
    assert much == ["fault[1].share: blood is 104 % of a; allowed: 5 to 100 %"]


def test_the_sample_states_what_is_known_and_nothing_more(text):
    assert parse_scenario(text()).sample_record().fibrinogen is None


def test_a_curve_or_contents(text):
    both = 'activator = "none"\n[well.curve]\nmodulus = "1 Pa"\n'
    assert problems(text(both)) == ["well[1]: got curve and contents; allowed: exactly one of the two"]
    neither = text().split("[well.contents]")[0]
    assert problems(neither) == ["well[1]: got neither curve nor contents; allowed: exactly one of the two"]
    assert problems(text(blood="")) == ["well[1].contents: needs blood; allowed: with a table [blood]"]
    curve = neither + '[well.curve]\nmodulus = "1 Pa"\n'
    assert problems(curve) == ["blood: no well holds it; allowed: with a table [well.contents] in at least one well"]
    mixed = text(more=WELL.format(name="b", contents="").replace("contents", "curve") + 'modulus = "1 Pa"\n')
    assert parse_scenario(mixed).contents_record(1) is None


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"1.3 g/L"', '"25 g/L"', "blood.fibrinogen: got '25 g/L'; allowed: 0 to 20 g/L"),
        ('"1.3 g/L"', "1.3", "blood.fibrinogen: got 1.3; allowed: text in quotes, a number with a unit of mass conc"),
        ('"74 10^9/L"', '"74 g/L"', "blood.platelets: got '74 g/L'; allowed: a unit of number concentration"),
        ('"27 %"', '"-2 %"', "blood.haematocrit: got '-2 %'; allowed: 0 to 80 %"),
        ("tpa =", "tPA =", "blood.tPA: unknown key"),
        ("VIII =", "VIIII =", "blood.factors.VIIII: unknown key"),
        ('"150 %"', '"1500 %"', "blood.factors.VIII: got '1500 %'; allowed: 0 to 1000 %"),
        ("gel_share =", "gel_part =", "blood.choices.gel_part: unknown key"),
        ('"25 %"', '"99 %"', "blood.choices.gel_share: got 0.99; allowed: 0.01 to 0.9"),
        ('"25 %"', '"25 Pa"', "blood.choices.gel_share: got '25 Pa'; allowed: a unit of ratio"),
        ("clots = false", 'clots = "no"', "blood.choices.meizothrombin_clots: got 'no'"),
        ('"critical_gel"', '"jelly"', "blood.choices.rheology: got 'jelly'"),
        ('"5 pmol/L"', '"5 IU/mL"', "well[1].contents.tissue_factor: got '5 IU/mL'; allowed: a unit of amount"),
        ('"94 %"', '"104 %"', "well[1].contents.block_fraction: got '104 %'; allowed: 0 to 100 %"),
        ("antifibrinolytic =", "antifibrinolitic =", "well[1].contents.antifibrinolitic: unknown key"),
        (CONTAINING, "contents]", "well[1].contents.activator: missing"),
        (CONTAINING, 'contents]\nactivator = "clay"', "well[1].contents.activator: got 'clay'"),
        (
            CONTAINING,
            'contents]\nactivator = "contact"',
            "well[1].contents.tissue_factor: stated with the activator 'contact'; allowed: with 'tissue factor'",
        ),
        (
            '"98 %"',
            '"98 %"\ntemperature = "50 Cel"',
            "well[1].contents.temperature: got '50 Cel'; allowed: 15 to 42 Cel",
        ),
        ("[instrument]", '[instrument]\ntemperature = "50 Cel"', "instrument.temperature: got 323.15 K"),
        ('"160 uL"', '"260 uL"', "well[1].sample_volume: blood is 130 % of a; allowed: 5 to 100 %"),
    ],
)
def test_refused(text, old, new, message):
    assert old in text()
    assert [p for p in problems(text().replace(old, new, 1)) if p.startswith(message)]


def test_every_part_of_the_blood_and_of_the_contents_has_its_key():
    assert set(BloodTable.model_fields) == {f.name for f in fields(Composition)} | {"choices"}
    assert set(ContentsTable.model_fields) == {f.name for f in fields(Contents)}
    assert tuple(FactorsTable.model_fields) == FACTORS
    assert tuple(ChoicesTable.model_fields) == tuple(f.name for f in fields(Choices))
    assert set(UNITS_OF_BLOOD) == set(HIGHEST) | set(RANGES)


def test_units_of_choices_are_those_of_the_record():
    """Each number's unit stands in brackets in the docstring, in SI units."""
    words = " ".join(inspect.getdoc(Choices).split())
    for one in fields(Choices):
        if one.type == "float":
            said = re.search(rf"{one.name} : float .*?\[([^\]]+)\]", words)[1]
            unit = UNITS[CHOICE_UNITS.get(one.name, "1")]
            assert unit.kind == UNITS["1" if said == "-" else said].kind, one.name
