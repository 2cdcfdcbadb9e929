"""Exact values of what a reading is, and the compiled sweeps against the NumPy reference."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.readings import functionals

TIME = np.linspace(0.0, 1200.0, 601)


def _ramp(start, slope):
    return np.maximum(slope * (TIME - start), 0.0)[None, :]


def test_onset_is_the_crossing_between_two_grid_times():
    assert functionals.onset(TIME, _ramp(301.0, 0.5), 20.0, 60.0)[0] == pytest.approx(341.0, abs=1e-9)


def test_onset_waits_for_a_whole_dwell():
    path = _ramp(300.0, 1.0)
    path[0, (TIME > 380.0) & (TIME < 384.0)] = 0.0
    back = 382.0 + 2.0 * 20.0 / path[0, TIME == 384.0][0]
    assert functionals.onset(TIME, path, 20.0, 61.0)[0] == pytest.approx(back, abs=1e-9)
    assert functionals.onset(TIME, path, 20.0, 60.0)[0] == pytest.approx(320.0, abs=1e-9)


def test_onset_of_a_clot_that_lyses_later_is_still_its_onset():
    path = np.where(TIME < 800.0, _ramp(301.0, 0.5), 0.0)
    assert functionals.onset(TIME, path, 20.0, 60.0)[0] == pytest.approx(341.0, abs=1e-9)


def test_onset_below_and_above():
    assert functionals.onset(TIME, np.full((1, 601), 30.0), 20.0, 60.0)[0] == -math.inf
    assert functionals.onset(TIME, np.zeros((1, 601)), 20.0, 60.0)[0] == math.inf
    # Reached, but not held for the dwell before the run ends.
    assert functionals.onset(TIME, _ramp(1140.0, 1.0), 20.0, 60.0)[0] == math.inf
    assert functionals.onset(TIME, _ramp(1120.0, 1.0), 20.0, 60.0)[0] == pytest.approx(1140.0)


def test_a_path_is_a_straight_line_between_grid_times_and_nothing_outside():
    path = _ramp(0.0, 0.25)
    assert functionals.at(TIME, path, np.array([333.3]))[0] == pytest.approx(83.325)
    assert functionals.at(TIME, path, np.array([1200.0]))[0] == pytest.approx(300.0)
    for when in (-1.0, 1201.0, math.inf, math.nan):
        assert math.isnan(functionals.at(TIME, path, np.array([when]))[0])


def test_highest_mean_of_a_triangle():
    # Two minutes about the top of a symmetric triangle: a quarter of the base's fall below the top.
    path = 100.0 - np.abs(TIME - 600.0)[None, :] / 10.0
    value, end = functionals.highest_mean(TIME, path)
    assert value[0] == pytest.approx(97.0, abs=1e-9)
    assert end[0] == pytest.approx(660.0)


def test_highest_mean_with_steps_that_do_not_divide_the_window():
    time = np.linspace(0.0, 1000.0, 533)
    path = (0.5 * time)[None, :]
    assert functionals.highest_mean(time, path)[0][0] == pytest.approx(0.5 * 940.0, rel=1e-3)


def test_a_run_shorter_than_the_window_has_no_mean_and_no_chord():
    short = np.linspace(0.0, 50.0, 26)
    assert math.isnan(functionals.highest_mean(short, np.ones((1, 26)))[0][0])
    assert math.isnan(functionals.steepest_rise(short, np.ones((1, 26)))[0][0])


def test_steepest_rise_is_a_one_minute_chord():
    path = np.clip(TIME - 300.0, 0.0, 30.0)[None, :] * 2.0
    value, middle = functionals.steepest_rise(TIME, path)
    assert value[0] == pytest.approx(1.0)
    assert 300.0 <= middle[0] <= 330.0


def test_first_reached():
    path = _ramp(300.0, 0.5)
    level = np.array([45.0])
    assert functionals.first_reached(TIME, path, level)[0] == pytest.approx(390.0)
    assert functionals.first_reached(TIME, path, np.array([1e4]))[0] == math.inf
    assert functionals.first_reached(TIME, path + 100.0, level)[0] == -math.inf


def test_mean_around():
    path = (0.1 * TIME)[None, :]
    assert functionals.mean_around(TIME, path, np.array([601.0]))[0] == pytest.approx(60.1)
    assert math.isnan(functionals.mean_around(TIME, path, np.array([30.0]))[0])


@given(st.integers(0, 10**6), st.integers(150, 400))
@settings(derandomize=True, max_examples=30, deadline=None)
def test_compiled_sweeps_equal_the_reference(seed, size):
    rng = np.random.default_rng(seed)
    time = np.linspace(5.0, 5.0 + 1.9 * (size - 1), size)
    rise = 50.0 / (1.0 + np.exp(-(time - rng.uniform(0, 600)) / 40.0))
    paths = np.maximum(rise + rng.normal(0.0, 3.0, (25, size)).cumsum(axis=1) * 0.2, 0.0)
    level = rng.uniform(0.0, 60.0, 25)
    for compiled, reference in (
        (functionals.onset(time, paths, 20.0, 60.0), functionals.onset(time, paths, 20.0, 60.0, reference=True)),
        (functionals.highest_mean(time, paths), functionals.highest_mean(time, paths, reference=True)),
        (functionals.steepest_rise(time, paths), functionals.steepest_rise(time, paths, reference=True)),
        (functionals.first_reached(time, paths, level), functionals.first_reached(time, paths, level, reference=True)),
    ):
        np.testing.assert_allclose(compiled, reference, rtol=1e-10, atol=1e-12)
