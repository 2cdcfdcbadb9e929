from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import DocumentError
from stanch.virtual.blood.expect import DEMO_WELLS
from stanch.virtual.scenario import Scenario, load_scenario, parse_scenario


def test_quantities_arrive_in_si_units(scenario):
    found = scenario()
    assert found.acquisition.frame_interval == 0.0005
    assert found.geometry.record().push_radius == 0.0004
    assert found.instrument.push_force == 65e3
    assert found.well_record(0).additives[0].name == "neutraliser"
    assert found.well_record(0).activated_at == "2026-03-02T09:30:00+01:00"
    assert found.sample_record().demo is True
    assert found.sample_record().haematocrit is None
    assert found.push_times(0) == [5.0, 20.0, 35.0, 50.0]


def test_all_errors_at_once_each_with_its_path(scenario_text):
    text = scenario_text()
    text = text.replace('"40 MHz"', '"40"').replace('well_depth = "7 mm"', "well_depth = 7")
    text = text.replace('"300 Pa"', '"300 mm"').replace('push_interval = "15 s"', 'push_intervall = "15 s"')
    text += '[[fault]]\nkind = "bubble"\nlevel = "30 dB"\n'
    with pytest.raises(DocumentError) as caught:
        parse_scenario(text, where="bad.toml")
    problems = caught.value.problems
    starts = [p.split(":")[0] for p in problems]
    assert starts == [
        "run.push_interval",
        "run.push_intervall",
        "acquisition.sampling_rate",
        "geometry.well_depth",
        "well[1].curve.modulus",
        "fault[1].depth",
    ]
    assert "missing" in problems[0]
    assert "unknown key" in problems[1]
    assert "got '40'; allowed: a unit of frequency" in problems[2]
    assert "got 7; allowed: text in quotes" in problems[3]
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('schema = "stanch.scenario/1"', "", "schema: got None; allowed: stanch.scenario/1"),
        ("stanch.scenario/1", "stanch.scenario/2", "another version of Stanch"),
        ("seed = 11", "seed = ", "not TOML"),
        ("seed = 11", "seed = -1", "seed: got -1; allowed: at least 0"),
        ("seed = 11", 'seed = "11"', "seed: got '11'; allowed: a whole number, without quotes"),
        ("seed = 11", 'seed = 11\ndemo = "yes"', "demo: got 'yes'; allowed: true or false"),
        (
            "frames_before_push = 2",
            "frames_before_push = true",
            "frames_before_push: got true; allowed: a whole number",
        ),
        ("[instrument]", "[instrument]\necho_level = true", "instrument.echo_level: got true; allowed: a number"),
        ("2026-03-02T09:30:00+01:00", "2026-03-02T09:30:00", "offset from UTC"),
        ('focus_height = "3.2 mm"', 'focus_height = "8 mm"', "geometry.focus_height"),
        ('sampling_rate = "40 MHz"', 'sampling_rate = "10 MHz"', "at least twice centre_frequency"),
        ("frames_before_push = 2", "frames_before_push = 12", "below frames = 12"),
        (
            "frames_before_push = 2",
            "late_frames = 3",
            "acquisition.late_frames: got 3; allowed: above 0 with",
        ),
        ("frames_before_push = 2", 'last_frame = "0.1 s"', "got 0; allowed: above 0 with last_frame, or neither"),
        (
            "frames_before_push = 2",
            'late_frames = 5\nlast_frame = "7.5 ms"',
            "acquisition.last_frame: got '7.5 ms'; allowed: after 7.5 ms, where the late frames",
        ),
        (
            "frames_before_push = 2",
            'late_frames = 5\nlast_frame = "15 s"',
            "run.push_interval: got '15 s'; allowed: above 15.001 s",
        ),
        ('role = "gel"', 'role = "plasma"', "sample.role"),
        ('push_force = "65 kN/m^3"', 'push_force = "-1 kN/m^3"', "0 or above"),
        ('"300 Pa"', '"0 Pa"', "well[1].curve.modulus: got '0 Pa'; allowed: above 0, or"),
    ],
)
def test_refused(scenario_text, old, new, message):
    with pytest.raises(DocumentError) as caught:
        parse_scenario(scenario_text().replace(old, new))
    assert message in str(caught.value)


def test_wells_need_names_of_their_own_and_faults_known_wells(scenario_text):
    text = scenario_text({"a": 'modulus = "1 Pa"', "b": 'modulus = "2 Pa"'}).replace('name = "b"', 'name = "a"')
    text += '[[fault]]\nkind = "detachment"\nstart = "1 min"\nwells = ["c"]\n'
    with pytest.raises(DocumentError) as caught:
        parse_scenario(text)
    assert "well[2].name: got 'a' twice" in str(caught.value)
    assert "fault[1].wells: got 'c'; allowed: a, a" in str(caught.value)


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ('kind = "expired_lot"\nreagent = "neutralizer"', "fault[1].reagent: got 'neutralizer'; allowed: neutraliser"),
        ('kind = "under_fill"\nheight = "3 mm"', "fault[1].height: got '3 mm'; allowed: between 3.2 mm"),
        ('kind = "under_fill"\nheight = "7 mm"', "and 7 mm (well)"),
    ],
)
def test_a_fault_that_cannot_be_is_refused(scenario_text, fault, message):
    with pytest.raises(DocumentError) as caught:
        parse_scenario(scenario_text(faults=f"[[fault]]\n{fault}\n"))
    assert message in str(caught.value)


def test_pushes_may_not_overlap(scenario_text):
    text = scenario_text().replace('push_interval = "15 s"', 'push_interval = "5 ms"')
    with pytest.raises(DocumentError, match="which all frames of a push take"):
        parse_scenario(text)


def test_unknown_kind_of_fault_lists_the_kinds(scenario_text):
    with pytest.raises(DocumentError, match="drift"):
        parse_scenario(scenario_text(faults='[[fault]]\nkind = "gremlin"\n'))


def test_faults_of_dates_need_a_start(scenario_text):
    text = scenario_text(faults='[[fault]]\nkind = "stale_sample"\nage = "9 h"\n')
    assert parse_scenario(text).fault[0].kind == "stale_sample"
    with pytest.raises(DocumentError, match="started_at: missing"):
        parse_scenario(text.replace('started_at = "2026-03-02T09:30:00+01:00"', ""))


def test_files(tmp_path, scenario_text):
    path = tmp_path / "small.toml"
    path.write_text(scenario_text(), encoding="utf-8")
    assert load_scenario(path).folder == str(tmp_path)
    assert load_scenario(scenario_text()) == load_scenario(path).model_copy(update={"folder": None})
    for bad in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(DocumentError, match="readable scenario document"):
            load_scenario(bad)
    path.write_bytes(b"\xff\xfe\n")
    with pytest.raises(DocumentError, match="UTF-8"):
        load_scenario(path)


def test_demo_scenario_and_demo_assay_belong_together():
    folder = files("stanch.virtual") / "demo"
    demo = parse_scenario((folder / "scenario.toml").read_text(encoding="utf-8"))
    assay = tomllib.loads((folder / "assay.toml").read_text(encoding="utf-8"))
    assert demo.demo
    assert (demo.run.pushes, demo.acquisition.frames, demo.acquisition.samples) == (240, 64, 256)
    stated = [(w.name, w.activator, {a.name for a in w.additives}) for w in demo.well]
    assert stated == [(w["name"], w["activator"], set(w["additives"])) for w in assay["well"]]


def test_the_demo_is_a_virtual_patient_in_the_wells_of_the_demo_assay():
    folder = files("stanch.virtual") / "demo"
    demo = parse_scenario((folder / "scenario.toml").read_text(encoding="utf-8"))
    found = {well.name: demo.contents_record(i) for i, well in enumerate(demo.well)}
    assert set(found) == set(DEMO_WELLS)
    for name, contents in DEMO_WELLS.items():
        assert found[name].blood_share == pytest.approx(contents.blood_share, rel=1e-12)
        assert replace(found[name], blood_share=1.0) == replace(contents, blood_share=1.0)
    stated = demo.sample_record()
    blood = demo.blood.record()
    assert (stated.fibrinogen, stated.platelets, stated.haematocrit) == (
        blood.fibrinogen,
        blood.platelets,
        blood.haematocrit,
    )


@settings(derandomize=True, max_examples=60, deadline=None)
@given(data=st.data())
def test_a_damaged_document_is_refused_or_read_without_a_traceback(data):
    text = (files("stanch.virtual") / "demo" / "scenario.toml").read_text(encoding="utf-8")
    at = data.draw(st.integers(0, len(text) - 1))
    cut = data.draw(st.integers(0, 30))
    text = text[:at] + data.draw(st.text(max_size=8)) + text[at + cut :]
    message = ""
    try:
        assert isinstance(parse_scenario(text), Scenario)
    except DocumentError as error:
        message = str(error)
    assert "\n" not in message
