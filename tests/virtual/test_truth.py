from __future__ import annotations

import json
import math
from importlib.resources import files

import pytest

from stanch.virtual.growth import Growth
from stanch.virtual.scenario import parse_scenario
from stanch.virtual.simulate import simulate
from stanch.virtual.truth import true_readings

SETTINGS = {"onset_modulus": 20.0, "dwell": 60.0, "hold": 480.0}


def test_readings_in_closed_form():
    growth = Growth(100.0, 80.0, 60.0)
    readings = true_readings(growth, 2000.0, **SETTINGS)
    onset = 100.0 - 60.0 * math.log(1 - math.sqrt(20.0 / 80.0))
    assert readings["onset_s"] == pytest.approx(onset, abs=0.11)
    age = readings["onset_s"] + 480.0 - 100.0
    assert readings["early_modulus_pa"] == pytest.approx(80.0 * (1 - math.exp(-age / 60.0)) ** 2, rel=1e-9)
    assert readings["plateau_pa"] == pytest.approx(80.0, rel=1e-6)


def test_a_run_too_short_or_too_weak():
    assert true_readings(Growth(100.0, 19.0, 60.0), 2000.0, **SETTINGS)["onset_s"] is None
    short = true_readings(Growth(100.0, 80.0, 60.0), 300.0, **SETTINGS)
    assert short["onset_s"] is not None
    assert short["early_modulus_pa"] is None
    assert true_readings(Growth(10.0, 80.0, 60.0), 100.0, **SETTINGS)["plateau_pa"] is None


def test_onset_needs_the_dwell():
    """Above the onset modulus for half a minute only, then lysed below it."""
    gone = Growth(0.0, 30.0, 5.0, lysis_rate=0.2, lysis_start=0.0)
    assert true_readings(gone, 2000.0, onset_modulus=20.0, dwell=60.0, hold=60.0)["onset_s"] is None
    assert true_readings(gone, 2000.0, onset_modulus=20.0, dwell=1.0, hold=60.0)["onset_s"] is not None


def test_demo_truth_has_the_readings_of_its_assay(tmp_path):
    folder = files("stanch.virtual") / "demo"
    text = (folder / "scenario.toml").read_text(encoding="utf-8").replace("pushes = 240", "pushes = 2")
    scenario = parse_scenario(text.replace('push_interval = "15 s"', 'push_interval = "1800 s"'), folder=str(folder))
    simulate(scenario, tmp_path / "r.h5", truth=tmp_path / "t.json")
    wells = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))["wells"]
    onset = {w["name"]: w["readings"]["onset_s"] for w in wells}
    assert onset["base"] < onset["low + neutraliser"] < onset["low"]
    early = {w["name"]: w["readings"]["early_modulus_pa"] for w in wells}
    assert early["base + blocker"] < 0.5 * early["base"]
