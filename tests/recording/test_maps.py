from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from stanch.errors import DocumentError
from stanch.recording.maps import load_map, parse_map
from stanch.recording.records import Acquisition, Additive, Geometry

FULL: dict[str, Any] = {
    "schema": "stanch.map/1",
    "recording": {
        "sample": "gel series",
        "role": "gel",
        "drawn_at": "2026-03-01T08:00:00+01:00",
        "haematocrit": "41 %",
        "platelets": "220 10^9/L",
        "fibrinogen": "2.5 g/L",
        "drugs": [],
        "products": ["fibrinogen concentrate"],
        "demo": True,
        "instrument": "bench rig",
        "notes": ["made for a test"],
    },
    "acquisition": {
        "sampling_rate": "40 MHz",
        "centre_frequency": "9 MHz",
        "sound_speed": "1575 m/s",
        "density": "1055 kg/m^3",
        "frame_interval": "125 us",
        "frames_before_push": 2,
        "push_duration": "200 us",
        "push_time": "push_time",
        "first_sample_depth": "-1.0 mm",
    },
    "geometry": {
        "well_radius": "2.8 mm",
        "well_depth": "7 mm",
        "beam_from": "base",
        "focus_height": "3.2 mm",
        "lid": "rigid",
        "push_radius": "0.4 mm",
        "push_length": "2.2 mm",
        "beam_radius": "0.19 mm",
    },
    "well": [
        {
            "name": "plain",
            "echo": "plain",
            "activator": "tissue factor",
            "activator_lot": "T1",
            "additives": ["calcium", {"name": "buffer", "amount": "10 uL", "lot": "B2", "expiry": "2027-01-31"}],
            "sample_volume": "300 uL",
            "fill_height": "6.5 mm",
            "activated_at": "2026-03-01T09:00:00+01:00",
            "activation_sd": "2 s",
        }
    ],
}


def changed(path: str, value: Any) -> dict[str, Any]:
    """The full document with one entry set, or deleted with None."""
    document = copy.deepcopy(FULL)
    *steps, last = [int(p) if p.isdigit() else p for p in path.split(".")]
    place: Any = document
    for step in steps:
        place = place[step]
    if value is None:
        del place[last]
    else:
        place[last] = value
    return document


def problems(document: dict[str, Any]) -> list[str]:
    with pytest.raises(DocumentError) as caught:
        parse_map(document, "gel.toml")
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)
    return caught.value.problems


def test_a_full_map_becomes_records_in_si_units() -> None:
    document = parse_map(FULL)
    assert document.acquisition == Acquisition(40e6, 9e6, 1575.0, 1055.0, 200e-6, 2, -1e-3)
    assert document.geometry == Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3, "base", "rigid")
    facts = document.sample
    assert (facts.haematocrit, facts.platelets, facts.fibrinogen) == (0.41, 2.2e14, 2.5)
    assert (facts.drugs, facts.products, facts.site, facts.demo) == ((), ("fibrinogen concentrate",), None, True)
    assert facts.drawn_at == "2026-03-01T07:00:00+00:00"
    well = document.wells[0].well
    assert well.additives == (Additive("calcium"), Additive("buffer", "10 uL", "B2", "2027-01-31"))
    assert (well.sample_volume, well.fill_height, well.activation_sd) == (3e-7, 6.5e-3, 2.0)
    assert (well.final_volume, well.activated_at) == (None, "2026-03-01T08:00:00+00:00")


ONE_FAULT: list[tuple[str, Any, str]] = [
    ("acquisition.sampling_rate", "40", "acquisition.sampling_rate: got 40; allowed: a unit of frequency (Hz, kHz"),
    ("acquisition.sampling_rate", 40, "acquisition.sampling_rate: got 40; allowed: text with a unit of frequency"),
    ("acquisition.sound_speed", "1575 Pa", "acquisition.sound_speed: got 1575 Pa; allowed: a unit of speed"),
    ("acquisition.density", "fast m/s", "acquisition.density: got fast m/s; allowed: a number and a unit of density"),
    ("acquisition.sound_speed", None, "acquisition.sound_speed: got nothing; it is required with echo or displacement"),
    ("acquisition.frames_before_push", 0, "acquisition.frames_before_push: got 0; allowed: 1 or more"),
    ("acquisition.frames_before_push", "2", "acquisition.frames_before_push: got '2'; allowed: a whole number"),
    ("acquisition.centre_frequency", "30 MHz", "acquisition.sampling_rate: got 40000000.0; allowed: at least twice"),
    ("acquisition.frame_interval", "-1 us", "acquisition.frame_interval: got -1e-06 s; allowed: a positive time"),
    ("acquisition.frame_times", "t", "acquisition.frame_times: got a value beside frame_interval; give one of the two"),
    ("acquisition.frame_interval", None, "well[1].frame_times: got nothing; give it, or frame_interval"),
    ("acquisition.push_time", None, "well[1].push_time: got nothing; give it here or in [acquisition]"),
    ("acquisition.push_time", [0.0, "5 Pa"], "acquisition.push_time: got 5 Pa; allowed: a unit of time"),
    ("acquisition.push_time", "", "acquisition.push_time: allowed: the name of an array in the source"),
    ("geometry.focus_height", "9 mm", "geometry.focus_height: got 0.009; allowed: below well_depth 0.007 m"),
    ("geometry.lid", "open", "geometry.lid: got 'open'; allowed: rigid, free"),
    ("geometry.well_radius", None, "geometry.well_radius: missing; allowed: it must be given"),
    ("geometry.well_radios", "1 mm", "geometry.well_radios: unknown key; did you mean well_radius?"),
    ("recording.sample", None, "recording.sample: missing; allowed: it must be given"),
    ("recording.role", "pet", "recording.role: got 'pet'; allowed: patient, control, gel, blank, exercise"),
    ("recording.haematocrit", "140 %", "recording.haematocrit: got 1.4; allowed: a fraction from 0 to below 1"),
    ("recording.drawn_at", "2026-03-01T08:00", "Add the offset from UTC: this time is naive."),
    ("recording.qqq", 1, "recording.qqq: unknown key; allowed: sample, role, drawn_at"),
    ("acquisitoin", {}, "acquisitoin: unknown key; did you mean acquisition?"),
    ("well", [], "well: got an empty list; allowed: at least 1"),
    ("well", "plain", "well: got 'plain'; allowed: a list"),
    ("well.0.echo", None, "well[1]: got none of echo, displacement and modulus; give exactly one"),
    ("well.0.modulus", "m [Pa]", "well[1]: got echo and modulus of echo, displacement and modulus; give exactly one"),
    ("well.0.viscosity", "v", "well[1].viscosity: got a value; it goes with modulus, not with echo"),
    ("well.0.frequency", "1 Hz", "well[1].frequency: got a value; it goes with modulus, not with echo"),
    ("well.0.axes", ["push", "frame"], "well[1].axes: got ['push', 'frame']; allowed: ['push', 'frame', 'sample']"),
    ("well.0.axes", ["push", "push", "frame", "sample"], "an axis is named twice"),
    ("well.0.axes", ["row"], "well[1].axes[1]: got 'row'; allowed: push, frame, sample, quadrature"),
    ("well.0.additives", [{"name": "a", "lott": "b"}], "well[1].additives[1].lott: unknown key; did you mean lot?"),
    ("well.0.additives", [7], "well[1].additives[1]: got 7"),
    ("well.0.fill_height", "6.5", "well[1].fill_height: got 6.5; allowed: a unit of length"),
    ("well.0.activator", 7, "well[1].activator: got 7; allowed: text in quotes"),
    ("well.0.activator", "a\x00", "allowed: text without control characters"),
    ("well.0.geometry", {"lid": "free"}, "well[1].geometry.well_radius: missing; allowed: it must be given"),
]


@pytest.mark.parametrize(("path", "value", "said"), ONE_FAULT, ids=[f"{f[0]}={f[1]!r}"[:50] for f in ONE_FAULT])
def test_a_fault_is_named_with_its_path(path: str, value: Any, said: str) -> None:
    assert any(said in problem for problem in problems(changed(path, value))), problems(changed(path, value))


def test_two_wells_of_one_name() -> None:
    document = changed("well", [FULL["well"][0]] * 2)
    assert problems(document) == ["well[2].name: got plain; two wells have this name"]


def test_all_faults_come_at_once() -> None:
    document = changed("acquisition.sampling_rate", "40")
    document["geometry"]["focus_height"] = "9 mm"
    document["recording"]["role"] = "pet"
    document["well"][0]["viscosity"] = "v"
    document["well"][0]["additives"] = [{"nme": "a"}]
    found = [p.split(":")[0] for p in problems(document)]
    assert found == [
        "recording.role",
        "acquisition.sampling_rate",
        "geometry.focus_height",
        "well[1].additives[1].name",
        "well[1].additives[1].nme",
    ]


@pytest.mark.parametrize(
    ("schema", "said"),
    [
        (None, 'schema; got nothing; allowed: stanch.map/1. Begin with schema = "stanch.map/1".'),
        ("stanch.map/2", "got stanch.map/2; allowed: stanch.map/1. Update this program to read it."),
        (1, "got 1; allowed: stanch.map/1"),
    ],
)
def test_schema(schema: Any, said: str) -> None:
    with pytest.raises(DocumentError) as caught:
        parse_map(changed("schema", schema), "gel.toml")
    assert said in str(caught.value)


def test_a_modulus_map_needs_no_acquisition() -> None:
    well = {"name": "a", "modulus": "m [Pa]", "push_time": "t [s]", "frequency": "1 Hz"}
    document = parse_map({"schema": "stanch.map/1", "recording": {"sample": "s"}, "well": [well]})
    assert document.acquisition is None
    assert document.geometry is None
    assert document.wells[0].table.frequency == 1.0


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"schema = ", "allowed: a TOML document"),
        (b"\xff\xfe", "bytes that are not UTF-8"),
        (b"a = " + b"[" * 9000, "allowed: a TOML document"),
        (b"#" * (2 << 20), "more than 1048576 bytes"),
        (b"", "schema; got nothing"),
    ],
    ids=["syntax", "utf8", "deep", "long", "empty"],
)
def test_what_is_no_map_is_one_line(tmp_path: Path, data: bytes, said: str) -> None:
    (tmp_path / "m.toml").write_bytes(data)
    with pytest.raises(DocumentError) as caught:
        load_map(tmp_path / "m.toml")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_map(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="got No such file"):
        load_map(tmp_path / "m.toml")
    with pytest.raises(DocumentError, match="got Is a directory"):
        load_map(tmp_path)


def test_a_density_that_is_left_out_follows_the_haematocrit() -> None:
    document = changed("acquisition.density", None)
    document["recording"]["haematocrit"] = "45 %"
    acquisition = parse_map(document).acquisition
    assert acquisition is not None
    assert acquisition.density == pytest.approx(1057.4, rel=1e-12)
    del document["recording"]["haematocrit"]
    assert problems(document) == ["acquisition.density: got nothing; it is required with echo or displacement"]


def test_an_uncertainty_of_activation_that_is_left_out_is_unknown() -> None:
    assert parse_map(changed("well.0.activation_sd", None)).wells[0].well.activation_sd is None
    assert parse_map(changed("well.0.activation_sd", "0 s")).wells[0].well.activation_sd == 0.0
