"""The prior that comes with the package."""

import importlib.util
import sys
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from stanch.readings.forecast.library import compress
from stanch.readings.forecast.store import shipped_prior
from stanch.virtual.blood.population import draw

TOOL = Path(__file__).parents[3] / "tools" / "make_prior.py"


@pytest.fixture(scope="module")
def tool():
    spec = importlib.util.spec_from_file_location("make_prior_under_test", TOOL)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def test_it_is_small_and_says_what_it_was_learnt_from(tool):
    prior = shipped_prior()
    assert files("stanch.readings.forecast").joinpath("data", "demo-assay.prior.npz").stat().st_size <= 300_000
    assert prior.origin.kind == "virtual population"
    assert f"seed {tool.SEED}" in prior.origin.words
    assert all(group in prior.origin.words for group in tool.GROUPS)
    assert prior.definitions == tool.demo_assay().definitions()
    assert set(prior.library) == set(tool.classes(tool.demo_assay()).values())


def test_its_curves_are_those_of_the_virtual_blood_of_this_version(tool):
    """Fails when the kinetics change: run ``python tools/make_prior.py`` then, and the study of coverage again."""
    prior = shipped_prior()
    known = tool.classes(tool.demo_assay())
    row = first = 0
    for group, count in zip(tool.GROUPS, tool.PER_KIND):
        for kind in tool.KINDS:
            patient, choices = tool.as_group(draw(kind, first + 1, tool.SEED)[first], group, tool.SEED, 0)
            curves = tool.true_curves(patient.composition, known, choices)
            for name, course in curves.items():
                kept = prior.library[name][row]
                np.testing.assert_allclose(
                    kept, compress(*course, prior.time), atol=0.02, err_msg=f"{group}, {kind}: {name}"
                )
            row += count
        first += count + tool.HELD_PER_KIND
    assert {rows.shape[0] for rows in prior.library.values()} == {row}
