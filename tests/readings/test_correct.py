"""Taking the bias of a reading out of its samples."""

import numpy as np
import pytest

from stanch.readings.correct import level_top, recentred, recentred_top


def test_samples_move_to_the_corrected_estimate_and_stretch_by_its_doubt():
    samples = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    out = recentred(samples, 3.5, np.array([4.0, 4.2, 3.8]))
    assert np.median(out) == pytest.approx(3.5 - 0.5)
    assert np.ptp(out) == pytest.approx(4.0 * np.sqrt(1.0 + 0.5**2 / 2.0))


def test_censored_samples_stay_censored():
    out = recentred(np.array([1.0, 2.0, 3.0, np.inf]), 2.0, np.array([2.1, np.inf, 1.9, 2.0]))
    assert out[3] == np.inf
    assert np.isfinite(out[:3]).all()


def test_too_little_to_go_by_leaves_samples_alone():
    samples = np.array([np.inf, np.inf, np.inf, 1.0])
    assert np.array_equal(recentred(samples, 1.0, np.array([1.0])), samples)
    assert np.array_equal(recentred(np.arange(4.0), np.inf, np.arange(4.0)), np.arange(4.0))
    assert np.array_equal(recentred(np.arange(4.0), 1.0, np.array([np.inf, np.inf, 1.0])), np.arange(4.0))


def test_a_flat_top_is_lowered_by_the_mean_of_the_highest_error():
    rng = np.random.default_rng(1)
    errors = rng.standard_normal((400, 30))
    excess = errors.max(axis=1).mean()
    central = np.full(30, 5.0)
    assert level_top(central, errors) == pytest.approx(5.0 - excess, abs=1e-3)


def test_a_clear_peak_keeps_its_height():
    rng = np.random.default_rng(1)
    errors = 0.01 * rng.standard_normal((4000, 30))
    central = np.full(30, 5.0)
    central[7] = 6.0
    assert level_top(central, errors) == pytest.approx(6.0, abs=1e-3)


def test_on_a_flat_top_the_interval_reaches_down_to_the_truth():
    """A flat truth seen through independent errors in 15 windows: the raw interval of the highest one misses it."""
    rng = np.random.default_rng(3)
    missed_raw = missed = 0
    for _ in range(200):
        seen = rng.standard_normal(15)
        paths = (seen + rng.standard_normal((400, 15))).max(axis=1)
        again = seen + rng.standard_normal((200, 15))
        missed_raw += np.quantile(paths, 0.025) > 0.0
        missed += np.quantile(recentred_top(paths, seen.max(), seen, again), 0.025) > 0.0
    assert missed_raw > 180
    assert missed < 30
