"""The page about scenario documents lists every key, and its example is a valid document."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from stanch.virtual import scenario_tables as tables
from stanch.virtual.faults import Fault
from stanch.virtual.scenario import parse_scenario
from stanch.virtual.simulate import simulate

PAGE = (Path(__file__).parents[2] / "docs" / "reference" / "scenario-document.md").read_text(encoding="utf-8")
MODELS = [
    tables.SampleTable,
    tables.RunTable,
    tables.AcquisitionTable,
    tables.GeometryTable,
    tables.InstrumentTable,
    tables.WellTable,
    tables.GrowthTable,
    tables.GelTable,
    tables.AdditiveTable,
    *get_args(get_args(Fault)[0]),
]


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.__name__)
def test_every_key_is_on_the_page(model):
    for key in model.model_fields:
        assert re.search(rf"`(\[well\.)?{key}\b", PAGE), key


@pytest.mark.parametrize("model", get_args(get_args(Fault)[0]), ids=lambda m: m.__name__)
def test_every_fault_is_on_the_page_with_its_own_keys(model):
    (kind,) = get_args(model.model_fields["kind"].annotation)
    section = PAGE.split("## `[[fault]]`")[1]
    row = next(line for line in section.splitlines() if line.startswith(f"| `{kind}`"))
    for key in model.model_fields:
        if key not in ("kind", "wells"):
            assert f"`{key}`" in row


def test_the_example_runs(tmp_path):
    text = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)[1]
    found = parse_scenario(text.replace("pushes = 12", "pushes = 1"))
    assert simulate(found, tmp_path / "r.h5").exists()
