"""What is expected of a virtual sample, against its truth file, its own curves and its limits."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from stanch.errors import DocumentError, UsageError
from stanch.estimate import Estimate
from stanch.readings.assay import load_assay
from stanch.readings.assay_records import Limit
from stanch.recording.container import open_recording
from stanch.virtual.blood.expect import courses
from stanch.virtual.expectation import beside, expect, lost
from stanch.virtual.growth import Growth
from stanch.virtual.scenario import load_scenario, parse_scenario
from stanch.virtual.simulate import simulate

ASSAY = """
schema = "stanch.assay/1"
name = "pair"
onset_modulus = "20 Pa"
hold = "8 min"
follow = "25 min"

[[well]]
name = "plain"
activator = "tissue factor"
additives = []

[[well]]
name = "blocked"
activator = "tissue factor"
additives = ["blocker"]

[[contrast]]
name = "fibrin modulus"
kind = "difference"
report = "remainder"
reading = "early_modulus"
base = "plain"
other = "blocked"
differs_in = "blocker"
block_fraction = "90 %"
block_fraction_sd = "2 %"
lot = "L-1"

[[limit]]
of = "onset"
well = "plain"
kind = "reference"
low = "1 min"
high = "20 min"
source = "invented"

[[limit]]
of = "fibrin modulus"
kind = "decision"
low = "90 Pa"
source = "invented"

[[rule]]
key = "low_fibrin"
group = "fibrin"
about = "a low fibrin modulus"
text = "Supports a low fibrin modulus."
when = [{ of = "fibrin modulus", is = "below", limit = "decision" }]
minimum_probability = "99.9 %"
"""
WELL = """
[[well]]
name = "{name}"
activator = "tissue factor"
additives = [{additives}]

[well.contents]
activator = "tissue factor"
tissue_factor = "50 pmol/L"
{more}
"""


@pytest.fixture
def folder(tmp_path, scenario_text):
    """A scenario of two wells of blood beside its assay document; pushes every four minutes, of which the first two."""

    def build(fibrinogen="1 g/L", pushes=16, interval="240 s"):
        head = scenario_text(pushes=pushes).split("[[well]]")[0]
        head = head.replace('push_interval = "15 s"', f'push_interval = "{interval}"')
        head = head.replace("seed = 11", 'seed = 11\nassay = "assay.toml"')
        blood = f'[blood]\nfibrinogen = "{fibrinogen}"\ntpa = "1 nmol/L"\nantiplasmin = "50 %"\n'
        wells = WELL.format(name="plain", additives="", more="")
        wells += WELL.format(name="blocked", additives='"blocker"', more='block_fraction = "90 %"')
        (tmp_path / "assay.toml").write_text(ASSAY, encoding="utf-8")
        (tmp_path / "s.toml").write_text(head + blood + wells, encoding="utf-8")
        return tmp_path

    return build


def test_expected_numbers_are_those_of_the_truth_file_and_no_echo_is_needed(folder):
    place = folder(pushes=3, interval="1800 s")
    found = expect(place / "s.toml")
    simulate(place / "s.toml", place / "r.h5", truth=place / "t.json")
    truth = json.loads((place / "t.json").read_text(encoding="utf-8"))
    suffix = {"s": "_s", "Pa": "_pa", "Pa/s": "_pa_per_s", "1": ""}
    for well, put in zip(found.wells, truth["wells"], strict=True):
        assert put["name"] == well.well.name
        for reading in well.readings.readings:
            assert put["readings"][reading.key + suffix[reading.estimate.unit]] == reading.estimate.value
            if reading.estimate.value is None:
                assert put["without_value"][reading.key]["status"] == reading.estimate.status
        assert put["gelation_start_s"] == well.start
        assert put["liquid_viscosity_pa_s"] == well.liquid_viscosity
        np.testing.assert_allclose(
            put["pushes"]["modulus_pa"], np.interp([5, 1805, 3605], well.curve.time, well.curve.modulus)
        )
    assert truth["contrasts"][0]["value"] == found.contrasts[0].estimate.value
    assert truth["blood"]["fibrinogen"] == 1.0
    assert truth["choices"]["gel_share"] == 0.2
    assert truth["wells"][1]["contents"]["block_fraction"] == 0.9
    with open_recording(place / "r.h5") as recording:
        assert recording.read("plain").shape == (3, 12, 128)


def test_the_same_seed_gives_the_same_recording_of_blood(folder):
    place = folder(pushes=2)
    identities = []
    for i, seed in enumerate((None, None, 12)):
        with open_recording(simulate(place / "s.toml", place / f"{i}.h5", seed=seed)) as recording:
            identities.append(recording.identity())
    assert identities[0] == identities[1]
    assert identities[0] != identities[2]


def test_expected_curves_are_those_of_the_blood(folder):
    place = folder()
    scenario = load_scenario(place / "s.toml")
    contents = [scenario.contents_record(i) for i in range(2)]
    direct = courses(scenario.blood.record(), contents, duration=3610.0, step=2.0)
    for well, course in zip(expect(scenario).wells, direct, strict=True):
        np.testing.assert_allclose(well.curve.modulus, course.modulus(well.curve.time), rtol=1e-12)
        assert well.start == course.start


@pytest.mark.parametrize(
    ("fibrinogen", "outcome", "place"), [("1 g/L", "supports", "below"), ("4 g/L", "does_not_support", "inside")]
)
def test_limits_and_rules(folder, fibrinogen, outcome, place):
    found = expect(folder(fibrinogen) / "s.toml")
    (limit,) = found.beside("fibrin modulus")
    assert (limit.place, limit.limit.kind) == (place, "decision")
    assert found.beside("onset", "plain")[0].place == "inside"
    assert found.beside("onset", "blocked") == ()
    assert {f.key: f.outcome for f in found.findings}["low_fibrin"] == outcome
    assert "Antiplatelet drugs." in found.cannot_see


def test_what_cannot_be_read_is_said(folder):
    found = expect(folder(pushes=4) / "s.toml")
    assert found.contrasts[0].estimate.status == "ok"
    brief = expect(folder(pushes=2) / "s.toml")
    assert brief.contrasts[0].estimate.status == "unavailable"
    assert brief.beside("fibrin modulus") == ()
    assert [f.outcome for f in brief.findings] == ["suppressed"]
    assert any("fibrin modulus" in line for line in brief.not_assessed)


def test_curves_in_place_of_blood(scenario_text):
    curve = 'start = "2 min"\nnetwork_modulus = "100 Pa"\nnetwork_time = "1 min"\n'
    text = scenario_text({"plain": curve, "blocked": curve}, pushes=300).replace("neutraliser", "blocker")
    found = expect(parse_scenario(text), load_assay(ASSAY, "assay"))
    onset = found.wells[0].readings["onset"].estimate.value
    assert onset == pytest.approx(120 - 60 * math.log(1 - math.sqrt(0.2)), abs=0.01)
    assert found.contrasts[0].estimate.why.startswith("Refused")
    assert found.wells[0].lost == {"lysis": 0.0, "retraction": 0.0}


def test_an_assay_is_needed_and_must_speak_of_the_wells(scenario_text):
    with pytest.raises(UsageError, match="assay document"):
        expect(parse_scenario(scenario_text()))
    with pytest.raises(DocumentError, match="not in the recording"):
        expect(parse_scenario(scenario_text()), load_assay(ASSAY, "assay"))


PAIR = """
[[pair]]
name = "blocker pair"
reading = "early_modulus"
not_above = ["blocked", "plain"]
tolerance = "5 %"
"""


def test_a_pair_is_held_to_the_base_wells_onset_though_the_other_never_sets(folder):
    place = folder("0.5 g/L")
    found = expect(parse_scenario((place / "s.toml").read_text(encoding="utf-8")), load_assay(ASSAY + PAIR, "a"))
    onsets = [w.readings["onset"].estimate.status for w in found.wells]
    assert onsets == ["ok", "above"]
    pair = next(f for f in found.findings if f.key == "pair: blocker pair")
    assert pair.outcome == "does_not_support"
    assert pair.evidence[0].limit.endswith("both at the onset of plain")


def test_what_each_cause_has_taken():
    growth = Growth(0.0, 100.0, 60.0, lysis_rate=1e-4, retraction_rate=2e-4)
    taken = lost(growth, 3600.0)
    left = math.prod(1 - share for share in taken.values())
    plain = Growth(0.0, 100.0, 60.0)
    assert float(growth.modulus(3600.0)) == pytest.approx(left * float(plain.modulus(3600.0)))
    assert taken["retraction"] == pytest.approx(1 - (1 - taken["lysis"]) ** 2)


def test_causes_of_blood_multiply_to_its_modulus(folder):
    scenario = load_scenario(folder() / "s.toml")
    contents = [scenario.contents_record(i) for i in range(2)]
    for course in courses(scenario.blood.record(), contents, duration=3610.0):
        taken = lost(course, 3600.0)
        assert set(taken) == {"lysis", "retraction", "detachment"}
        left = math.prod(1 - share for share in taken.values())
        grown = np.interp(3600.0, course.time, course.grown)
        assert float(course.modulus(3600.0)) == pytest.approx(grown * left, rel=1e-9)
        assert taken["lysis"] > 0.02


@pytest.mark.parametrize(
    ("low", "high", "found", "place"),
    [
        (1.0, 2.0, Estimate(1.5, None, None, "s"), "inside"),
        (1.0, 2.0, Estimate(1.0, None, None, "s"), "inside"),
        (1.0, 2.0, Estimate(2.0, None, None, "s"), "inside"),
        (1.0, 2.0, Estimate(0.9, None, None, "s"), "below"),
        (1.0, 2.0, Estimate(2.1, None, None, "s"), "above"),
        (None, 2.0, Estimate(-9.0, None, None, "s"), "inside"),
        (1.0, None, Estimate(9.0, None, None, "s"), "inside"),
        (1.0, 2.0, Estimate(None, 1.5, None, "s", "above", None, "x"), "left open"),
        (1.0, 2.0, Estimate(None, 2.0, None, "s", "above", None, "x"), "above"),
        (1.0, None, Estimate(None, 1.5, None, "s", "above", None, "x"), "inside"),
        (1.0, 2.0, Estimate(None, None, 1.5, "s", "below", None, "x"), "left open"),
        (1.0, 2.0, Estimate(None, None, 1.0, "s", "below", None, "x"), "below"),
    ],
)
def test_beside(low, high, found, place):
    limit = Limit("onset", "reference", "w", low, high, "s", "text", "source")
    assert beside(found, limit) == place


def test_blood_that_is_not_kelvin_voigt_is_read_at_the_frequency_of_the_assay(folder):
    place = folder("3 g/L")
    scenario = (place / "s.toml").read_text(encoding="utf-8")
    scenario = scenario.replace("[blood]", '[blood]\nchoices = { rheology = "critical_gel" }')
    rich = load_assay(ASSAY + '\n[settings]\nrheology = "spring_pot"\nfrequency = "10 Hz"\n', "a")
    parsed = parse_scenario(scenario)
    found = expect(parsed, rich)
    contents = [parsed.contents_record(i) for i in range(2)]
    course = courses(parsed.blood.record(), contents, parsed.blood.choice_record(), duration=3610.0)[0]
    gel = found.wells[0].readings["gel_time"].estimate.value
    material = [course.material(gel + dt) for dt in (-1.0, 1.0)]
    assert material[0].loss_tangent(10.0) > 1 > material[1].loss_tangent(10.0)
    early = found.wells[0].readings["early_modulus"].estimate.value
    when = found.wells[0].readings["onset"].estimate.value + 480.0
    assert early == pytest.approx(course.material(when).storage(10.0), rel=1e-3)
    assert early < 0.98 * float(course.modulus(when))
