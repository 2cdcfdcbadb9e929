"""Reduced runs of the inversion benchmarks, on the spectral table of a real well."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from stanch.mechanics.invert import InvertSettings

FOLDER = Path(__file__).parents[2] / "benchmarks"


def _load(name):
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def scatter():
    return _load("inversion_scatter")


def test_error_and_scatter(scatter):
    runs = 150
    rows = scatter.scatter_table(scatter.Bench.build(), runs)
    assert len(rows) == 96
    assert {round(float(r["modulus"])) for r in rows} >= {20, 101, 1016, 4064}
    for row in rows:
        # A hundred rows: four standard errors of the median, and of a ratio of standard deviations.
        assert abs(row["median_error"]) < 0.01 + 4 * row["median_se"]
        assert 1 - 4 / np.sqrt(2 * runs) < row["ratio_quantile"] < 1.2 + 4 * 1.5 / np.sqrt(2 * runs)
        # Down to 3.5 times the noise at the stiff end some traces say nothing.
        assert row["usable"] > 0.9


def test_coverage(scatter):
    wells = 20
    for row in scatter.coverage_table(scatter.Bench.build(), wells, pushes=12):
        for name in ("modulus", "viscosity", "force", "well mean"):
            # Twelve dozen comparisons; at 1e-5 each none is refuted by chance.
            assert binom.cdf(round(row[name] * wells), wells, 0.95) > 1e-5, (row["speckle"], row["truth"], name)


def test_a_frozen_well_needs_the_shared_speckle(scatter):
    table = scatter.frozen_mean_table(scatter.Bench.build(), 16, pushes=60, moduli=(30.0,))
    rows = {row["speckle"]: row for row in table}
    assert rows["shared"]["rms error"] < rows["push by push"]["rms error"] < rows["left out"]["rms error"]
    assert rows["left out"]["coverage"] < 0.5 < rows["shared"]["coverage"]


def test_a_frozen_well_of_echoes():
    frozen = _load("frozen_wells")
    wells = 16
    ways = {name: replace(InvertSettings(threads=1), **frozen.WAYS[name]) for name in ("first order", "all terms")}
    first, full = frozen.study(wells, 80, (50.0,), (34.0,), ways)
    assert binom.cdf(round(full["mean"] * wells), wells, 0.95) > 1e-4
    assert abs(full["bias %"]) < 4.0 * full["claimed %"] / np.sqrt(wells)
    # Three standard errors of the root mean square of as many standard scores.
    assert full["rms score"] < 1.0 + 3.0 / np.sqrt(2.0 * wells) < first["rms score"]


def test_rate_and_agreement():
    rate = _load("inversion_rate")
    got = rate.measure(wells=2, pushes_per_well=200, sample=20, repeats=1)
    difference = next(value for name, value in got.items() if name.startswith("largest difference"))
    assert difference < 1e-3
    assert min(got.values()) > 0
