"""The verification's own plain-array readings equal the readings of the bench on the same curve."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.readings import functionals, read
from stanch.verify.hold import curves


def _curve(seed: int, step: float):
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 2400.0, step) + 5.0
    rise = np.maximum(time - rng.uniform(0, 900), 0)
    g = rng.uniform(50, 900) * (1 - np.exp(-rise / rng.uniform(60, 900))) * np.exp(-1e-4 * rng.choice([0, 3]) * rise)
    return time, g + rng.normal(0, 1.0, time.size)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from([2.0, 4.0, 6.0, 10.0]), st.sampled_from([5.0, 20.0, 100.0]))
def test_they_are_the_same_numbers(seed, step, threshold):
    time, g = _curve(seed, step)
    holds = [60.0, 300.0, 900.0]
    ours = curves.read_curve(time, g, holds, onset_modulus=threshold, dwell=60.0)
    paths = g[None, :]
    onset = functionals.onset(time, paths, threshold, 60.0)[0]
    assert ours.onset[0] == (onset if math.isinf(onset) else pytest.approx(onset, rel=1e-12))
    if math.isfinite(onset):
        theirs = [functionals.at(time, paths, np.array([onset + h]))[0] for h in holds]
        np.testing.assert_allclose(ours.early[0], theirs, rtol=1e-9)
    else:
        assert np.isnan(ours.early).all()
    top, end = functionals.highest_mean(time, paths)
    assert ours.plateau[0] == pytest.approx(top[0], rel=1e-9)
    rested = time[-1] - end[0] >= read.REST
    before = functionals.at(time, paths, np.array([time[-1] - read.REST]))[0]
    flat = g[-1] <= before * math.exp(read.GROWTH_LIMIT)
    assert ours.plateau_open[0] == (not (rested or flat))
    if rested or flat:
        entry = functionals.first_reached(time, paths, functionals.PLATEAU_SHARE * top)[0]
        assert ours.entry[0] == pytest.approx(time[0] if math.isinf(entry) else entry, rel=1e-9)


def test_the_constants_are_the_same():
    assert curves.PLATEAU_WINDOW == functionals.PLATEAU_WINDOW
    assert curves.PLATEAU_SHARE == functionals.PLATEAU_SHARE
    assert (curves.REST, curves.GROWTH_LIMIT) == (read.REST, read.GROWTH_LIMIT)


def test_a_window_that_is_no_whole_number_of_steps_agrees_closely():
    time, g = _curve(1, 7.0)
    ours = curves.read_curve(time, g, [60.0], onset_modulus=20.0, dwell=60.0)
    assert ours.plateau[0] == pytest.approx(functionals.highest_mean(time, g[None, :])[0][0], rel=1e-3)
