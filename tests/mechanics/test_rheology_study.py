"""A reduced run of the rheology study: known media, every model, the evidence."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

FOLDER = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("rheology_study", FOLDER / "rheology_study.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["rheology_study"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["rheology_study"]


def test_media_are_what_they_are_stated_to_be(study):
    for kind in study.KINDS:
        for storage in study.STORAGES:
            for tangent in study.TANGENTS:
                found = study.medium(kind, storage, tangent)
                assert found.storage(100.0) == pytest.approx(storage, rel=1e-12)
                assert found.loss_tangent(100.0) == pytest.approx(tangent, rel=1e-12)
                parts = (found.equilibrium > 0, found.viscosity > 0, found.pot > 0, found.branch > 0)
                assert (
                    parts
                    == {
                        "kelvin_voigt": (True, True, False, False),
                        "spring_pot": (False, False, True, False),
                        "fractional_kelvin_voigt": (True, False, True, False),
                        "zener": (True, False, False, True),
                    }[kind]
                )


def test_quantiles_of_a_normal_distribution_are_a_standard_deviation_apart(study):
    x = np.random.default_rng(1).normal(3.0, 0.2, 40_000)
    assert study.spread(x) == pytest.approx(0.2, rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["kelvin_voigt", "spring_pot", "fractional_kelvin_voigt", "zener"])
def test_each_rheology_finds_its_own_medium(study, kind):
    rows = {r["model"]: r for r in study.cell(("traces", kind, 100.0, 0.5, "100 ms", 0.1e-6, 3, 5))}
    own = rows[kind]
    usable = own["usable"]
    assert usable >= 58
    for key in ("storage", "tangent"):
        # The error of the median is 1.25 sd / sqrt(n); exact binomial limits at p = 0.001.
        assert abs(own[f"{key}_bias"]) < 4 * 1.25 * own[f"{key}_scatter"] / np.sqrt(usable)
        assert own[f"{key}_covered"] >= binom.ppf(0.001, usable, 0.95)
    # Twenty pushes together; a push by itself would be right in a quarter by chance.
    assert own["run_right"] == own["runs"] == 3
    assert own["push_right"] >= 30


@pytest.mark.slow
def test_a_kelvin_voigt_fit_of_a_spring_pot_is_far_off_where_a_rheometer_works(study):
    rows = {r["model"]: r for r in study.cell(("traces", "spring_pot", 30.0, 1.0, "8 ms", 0.1e-6, 1, 6))}
    assert rows["kelvin_voigt"]["slow_storage_bias"] > np.log(1.3)
    assert abs(rows["spring_pot"]["slow_storage_bias"]) < 0.1
    assert rows["kelvin_voigt"]["tangent_covered"] == 0
