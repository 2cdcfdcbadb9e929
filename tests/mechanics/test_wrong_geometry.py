"""Fed a wrong well on purpose, the fit is wrong by the amounts this project stands on (reduced benchmark)."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARK = Path(__file__).resolve().parents[2] / "benchmarks" / "wrong_geometry.py"


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    spec = importlib.util.spec_from_file_location("wrong_geometry", BENCHMARK)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STANCH_CACHE", str(tmp_path_factory.mktemp("tables")))
        spec.loader.exec_module(module)
        yield {focus: module.errors(2.5, length) for focus, length in module.FOCUS.items()}


@pytest.mark.parametrize("focus", ["long focus", "L = 3 mm", "L = 1.5 mm"])
def test_the_right_table_is_right(study, focus):
    error, misfit = study[focus]["right table"]
    assert np.abs(error).max() < 1e-4
    assert misfit.max() < 1e-2


@pytest.mark.parametrize("focus", ["long focus", "L = 3 mm", "L = 1.5 mm"])
def test_a_free_wall_overstates_the_modulus_several_times(study, focus):
    error, misfit = study[focus]["free wall"]
    # A push whose misfit is so gross that it is refused has been found out and counts as such.
    kept = np.isfinite(error)
    assert kept.sum() >= 5
    assert error[kept].min() > 0.05
    assert 3.0 < error[kept][-3:].min() < 5.5
    assert misfit[kept][-3:].min() > 2.0


@pytest.mark.parametrize(
    ("focus", "low", "high"), [("long focus", 0.0, 0.03), ("L = 3 mm", 0.02, 0.21), ("L = 1.5 mm", 0.07, 0.62)]
)
def test_zero_flux_is_good_for_a_long_focus_only(study, focus, low, high):
    error, _ = study[focus]["zero flux"]
    assert np.all((error > low - 1e-4) & (error < high))


def test_a_wrong_push_length_shows_in_the_modulus(study):
    assert study["L = 3 mm"]["wrong length"][0].max() < -0.03
    assert study["L = 1.5 mm"]["wrong length"][0].min() > 0.03


def test_a_wrong_radius_hides_in_the_residuals(study):
    error, misfit = study["L = 3 mm"]["radius + 3 %"]
    assert np.all((error > 0.01) & (error < 0.07))
    assert misfit.max() < 1.0


@pytest.mark.parametrize(
    ("slenderness", "ratio"), [(1, 46.636159 / 26.374616), (2, 29.158983 / 26.374616), (4, 1.0172)]
)
def test_a_short_well_read_as_a_long_one(study, slenderness, ratio):
    # Source: ratio of the lowest Stokes eigenvalues of the two wells (computed for this project); the lowest mode
    # dominates a wide push over the whole depth.
    module = sys.modules["wrong_geometry"]
    short = module.Geometry(3e-3, 3e-3 * slenderness, 1.5e-3 * slenderness, 1.2e-3, 60e-3, 0.19e-3)
    moduli = module.fit(module.traces(module.real_table(short)), module.zero_flux_table(short), short)
    assert moduli.modulus[-3:] / module.MODULUS[-3:] == pytest.approx(ratio, rel=0.05)
