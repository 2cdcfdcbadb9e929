"""Library curves, candidates, phases, and what is forecast."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.readings.forecast import targets
from stanch.readings.forecast.library import candidates, compress, even_grid, library_grid, well_class
from stanch.readings.forecast.phase import PHASES, phase_of


def test_the_class_of_a_well_is_what_is_in_it():
    assert well_class("High Tissue  Factor", ("b", "a")) == well_class("high tissue factor", ("A", "b"))
    assert well_class("high tissue factor", ("a",)) != well_class("high tissue factor", ())
    assert well_class(None, ()) == "no activator"


def test_the_grid_of_the_library_is_dense_early_and_ends_with_the_run():
    grid = library_grid(3600.0)
    assert grid[0] == 0.0
    assert grid[-1] == 3600.0
    assert set(np.diff(grid[grid <= 1800.0])) == {15.0}
    assert set(np.diff(grid[grid >= 1800.0])) == {60.0}
    assert library_grid(900.0)[-1] == 900.0


def test_a_kept_curve_is_the_logarithm_at_the_grid():
    kept = compress([0.0, 100.0], [0.0, 200.0], [0.0, 50.0, 100.0, 400.0])
    np.testing.assert_allclose(kept, np.log([10.0, 110.0, 210.0, 210.0]), rtol=1e-14)


@pytest.mark.parametrize(
    ("time", "modulus"), [([0.0], [1.0]), ([0.0, 0.0], [1.0, 1.0]), ([0.0, 1.0], [1.0, math.nan]), ([0.0, 1.0], [1.0])]
)
def test_a_curve_that_is_none_is_refused(time, modulus):
    with pytest.raises(InputError):
        compress(time, modulus, [0.0, 1.0])


def test_the_first_candidate_of_each_sample_is_its_curve_and_gaps_are_left_out(prior):
    rows = prior.library["without"].copy()
    rows[3] = np.nan
    found = candidates(prior.time, [rows], prior.run, seed=5)
    assert 3 not in found.sample
    assert set(found.sample) == set(range(60)) - {3}
    first = found.curves[0][np.flatnonzero(found.sample == 7)[0]]
    np.testing.assert_allclose(first, np.interp(even_grid(prior.run), prior.time, rows[7]), rtol=1e-9)


def test_candidates_of_a_pair_are_of_one_sample_with_one_pace_and_level(prior):
    alike = candidates(prior.time, [prior.library["under"], prior.library["under"]], prior.run, seed=5)
    np.testing.assert_array_equal(alike.curves[0], alike.curves[1])


def test_every_phase_has_its_own_words():
    assert len(set(PHASES)) == len(PHASES)
    assert "0 to 1 min since activation, not set" in PHASES
    assert "more than 35 min after onset" in PHASES


def test_phases_follow_the_last_rise_over_the_onset_modulus(exact):
    curve = exact(lambda t: np.where(t < 300.0, 1.0, 100.0), end=600.0)
    assert phase_of(curve, 600.0, 20.0) == "3 to 5 min after onset"
    assert phase_of(curve, 600.0, 500.0) == "5 to 10 min since activation, not set"
    assert phase_of(None, 30.0, 20.0) == "0 to 1 min since activation, not set"
    lost = exact(lambda t: np.where((t > 60.0) & (t < 300.0), 100.0, 1.0), end=600.0)
    assert phase_of(lost, 600.0, 20.0).endswith("after onset")


TIME = np.linspace(0.0, 3600.0, 1801)


@given(top=st.floats(30.0, 3000.0), start=st.floats(0.0, 1500.0), slow=st.floats(50.0, 600.0))
@settings(derandomize=True, deadline=None, max_examples=40)
def test_forecast_quantities_are_those_of_the_curve(definitions, top, start, slow):
    path = (top * (1.0 - np.exp(-np.maximum(TIME - start, 0.0) / slow)))[None, :]
    onset = start - slow * math.log(1.0 - 20.0 / top)
    value, found = targets.early_modulus(TIME, path, definitions)
    assert found[0] == pytest.approx(onset, abs=2.0)
    assert value[0] == pytest.approx(top * (1.0 - math.exp(-(found[0] + 480.0 - start) / slow)), rel=1e-3)
    # A rising curve has its highest mean in the last two minutes.
    ends = start - 3600.0
    mean = top * (1.0 - slow / 120.0 * (math.exp((ends + 120.0) / slow) - math.exp(ends / slow)))
    assert targets.plateau(TIME, path)[0] == pytest.approx(mean, rel=1e-3)


def test_a_well_that_does_not_set_in_time_counts_as_nothing(definitions):
    path = np.where(TIME > 3300.0, 100.0, 0.0)[None, :]
    value, onset = targets.early_modulus(TIME, path, definitions)
    assert value[0] == 0.0
    assert onset[0] == pytest.approx(3300.0, abs=2.0)
    assert math.isnan(targets.retention(TIME, path, path, definitions).value[0])


def test_retention_is_what_the_decline_keeps(definitions):
    rate = 2e-4
    under = np.where(TIME >= 100.0, 500.0, 0.0)[None, :]
    without = under * np.exp(-rate * np.maximum(TIME - 100.0, 0.0))
    kept = targets.retention(TIME, without, under, definitions)
    assert kept.value[0] == pytest.approx(math.exp(-rate * 1500.0), rel=1e-6)
    assert targets.retention(TIME, under, under, definitions).value[0] == pytest.approx(1.0)
