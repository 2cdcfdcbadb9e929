from __future__ import annotations

import json
from importlib.resources import files

from stanch.virtual.scenario import parse_scenario
from stanch.virtual.simulate import simulate


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
