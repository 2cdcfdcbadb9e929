"""The surfaces on a real run: a short virtual recording, analysed from its echoes."""

from __future__ import annotations

import importlib.util
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from stanch.pipeline import analyse
from stanch.recording.reader import open_recording
from stanch.report.examples import example_pushes
from stanch.report.html import render
from stanch.report.inspect import describe
from stanch.report.json import dumps
from stanch.report.tables import tables
from stanch.report.text import summary
from stanch.virtual.simulate import simulate

PUSHES = 40


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    path = Path(__file__).parents[2] / "benchmarks" / "planted_faults.py"
    spec = importlib.util.spec_from_file_location("planted_faults_for_report", path)
    assert spec is not None
    assert spec.loader is not None
    study = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(study)
    folder = tmp_path_factory.mktemp("run")
    (folder / "assay.toml").write_text(study.ASSAY, encoding="utf-8")
    (folder / "scenario.toml").write_text(study.scenario("", {}, PUSHES, 7), encoding="utf-8")
    simulate(folder / "scenario.toml", folder / "run.h5")
    return folder / "run.h5", analyse(folder / "run.h5", now="2026-03-01T12:00:00+00:00")


def test_describe_tells_what_the_recording_holds(run: tuple[Path, Any]) -> None:
    with open_recording(run[0]) as opened:
        text = describe(opened)
        identity = opened.identity()
    for part in (identity, "closed", "40 MHz", "2.8 mm", f"a: {PUSHES} pushes of echo", "activator: tissue factor"):
        assert part in text
    assert "lot T1" in text
    assert re.search(r"haematocrit +unknown", text) is not None


def test_example_pushes_are_the_raw_echoes_of_usable_pushes(run: tuple[Path, Any]) -> None:
    path, result = run
    examples = example_pushes(path, result)
    assert [e.well for e in examples] == ["a", "b", "c", "d"]
    with open_recording(path) as opened:
        for example, one in zip(examples, result.wells):
            assert np.array_equal(example.echo, opened.read(example.well, example.index, example.index + 1)[0])
            assert one.moduli.usable[example.index]
            assert example.depth[0] == -2.3e-3
            assert example.depth.size == example.echo.shape[1]
            assert example.frame_time.size == example.echo.shape[0]


def test_every_surface_takes_the_result_of_the_pipeline(run: tuple[Path, Any]) -> None:
    path, result = run
    schema = json.loads((files("stanch.schemas") / "result-1.json").read_text(encoding="utf-8"))
    jsonschema.validate(json.loads(dumps(result)), schema)
    assert len(tables(result)["pushes.csv"].splitlines()) == 4 * PUSHES + 1
    assert "Onset" in summary(result)
    text = render(result, example_pushes(path, result))
    assert text.count("<figure>") == 4 + 4
    assert result.identity in text
