"""The posterior curve."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from stanch.curve.posterior import CurveSettings, smooth
from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET


def test_the_grid_reaches_from_first_to_last_push_in_steps_of_two_seconds(well):
    curve = smooth(well, seed=1, paths=50)
    assert (curve.time[0], curve.time[-1]) == (12.0, 3600.0)
    assert np.diff(curve.time).max() <= 2.0 + 1e-9
    assert curve.paths.shape == (50, curve.time.size)
    assert np.isfinite(curve.paths).all()
    assert curve.paths.min() >= 0.0


def test_the_same_seed_gives_the_same_curve_and_another_one_other_paths(well):
    one, two, three = (smooth(well, seed=s, paths=50) for s in (1, 1, 2))
    assert np.array_equal(one.paths, two.paths)
    assert not np.array_equal(one.paths, three.paths)


def test_paths_and_band_tell_the_same_spread(well):
    curve = smooth(well, seed=1, paths=2000)
    y = np.log(curve.paths + LOG_OFFSET)
    sd = np.log((curve.high + LOG_OFFSET) / (curve.low + LOG_OFFSET)) / (2.0 * 1.959963984540054)
    late = curve.time > 800.0
    assert np.median(y.std(axis=0)[late] / sd[late]) == pytest.approx(1.0, abs=0.06)
    assert np.abs(y.mean(axis=0) - np.log(curve.modulus + LOG_OFFSET))[late].max() < 0.3 * sd[late].max()


def test_shared_speckle_does_not_average_out(well):
    curve = smooth(well, seed=1)
    late = curve.time > 2000.0
    sd = np.log((curve.high + LOG_OFFSET) / (curve.low + LOG_OFFSET)) / (2.0 * 1.959963984540054)
    assert sd[late].min() > 0.004
    alone = smooth(replace(well, covariance=np.diag(np.diag(well.covariance))), seed=1)
    narrow = np.log((alone.high + LOG_OFFSET) / (alone.low + LOG_OFFSET)) / (2.0 * 1.959963984540054)
    assert np.median(narrow[late]) < 0.002


@pytest.mark.slow
def test_the_band_covers(clotting, make_moduli):
    """Fifty wells, one time each of liquid, rise and clot: exact binomial limits at p = 0.001."""
    rng = np.random.default_rng(11)
    time = 15.0 * np.arange(1, 201)
    hits = 0
    for _ in range(50):
        middle, width, top = rng.uniform(400, 1500), rng.uniform(30, 120), np.exp(rng.uniform(2.5, 7.5))
        true = np.log(clotting(time, top, middle, width) + LOG_OFFSET)
        covariance = np.diag(np.full(200, 0.012**2)) + np.outer(true > 3.0, true > 3.0) * 0.003**2
        data = true + np.linalg.cholesky(covariance) @ rng.standard_normal(200)
        curve = smooth(make_moduli(time, data, covariance), seed=1, paths=10)
        at = np.searchsorted(curve.time, [0.5 * middle, middle, middle + 900.0])
        g = clotting(curve.time[at], top, middle, width)
        hits += int(np.sum((curve.low[at] <= g) & (g <= curve.high[at])))
    low, high = binom.ppf([0.0005, 0.9995], 150, 0.95)
    assert low <= hits <= high


def test_an_outlying_push_is_weighted_down_and_named(well):
    spoiled = well.log_modulus.copy()
    spoiled[200] += 0.3
    clean, held = smooth(well, seed=1), smooth(replace(well, log_modulus=spoiled), seed=1)
    assert held.weighted_down.tolist() == [200]
    assert clean.weighted_down.size == 0
    at = np.searchsorted(clean.time, well.push_time[200])
    assert held.modulus[at] == pytest.approx(clean.modulus[at], rel=2e-3)


def test_unusable_pushes_are_left_out(well):
    usable = np.ones(300, dtype=bool)
    usable[100:110] = False
    spoiled = well.log_modulus.copy()
    spoiled[100:110] = np.nan
    curve = smooth(replace(well, log_modulus=spoiled, usable=usable), seed=1, paths=10)
    assert curve.push_time.size == 290
    assert np.isfinite(curve.modulus).all()


def test_a_loss_that_starts_late_is_followed(clotting, make_moduli):
    time = 6.0 * np.arange(1, 601)
    loss = np.exp(-0.0005 * np.maximum(time - 2400.0, 0.0))
    true = clotting(time) * loss
    rng = np.random.default_rng(2)
    data = np.log(true + LOG_OFFSET) + 0.01 * rng.standard_normal(600)
    curve = smooth(make_moduli(time, data, np.diag(np.full(600, 1e-4))), seed=1, paths=10)
    assert curve.modulus[-1] == pytest.approx(true[-1], rel=0.02)
    at = np.searchsorted(curve.time, 3000.0)
    assert curve.modulus[at] == pytest.approx(float(np.interp(3000.0, time, true)), rel=0.01)


def test_liquid_stays_at_zero(make_moduli):
    rng = np.random.default_rng(4)
    time = 12.0 * np.arange(1, 201)
    data = np.log(LOG_OFFSET) + 0.1 * rng.standard_normal(200)
    curve = smooth(make_moduli(time, data, np.diag(np.full(200, 0.01))), seed=1)
    assert curve.low.min() == 0.0
    assert curve.high.max() < 3.0
    assert np.all(curve.modulus <= curve.high)


def test_viscosity_has_a_band_where_the_source_has_one(well):
    curve = smooth(well, seed=1, paths=10)
    inside = (curve.viscosity_low <= 0.05) & (curve.viscosity_high >= 0.05)
    assert inside.mean() > 0.9
    nan = np.full(300, np.nan)
    none = smooth(replace(well, viscosity=nan, viscosity_low=nan, viscosity_high=nan), seed=1, paths=10)
    assert none.viscosity is None
    assert none.viscosity_low is None


def test_errors_of_re_estimated_curves_have_the_spread_of_the_estimate(well):
    curve = smooth(well, seed=1, settings=CurveSettings(resampled=600))
    late = np.searchsorted(curve.time, 2500.0)
    spread = np.log(curve.resampled[:, late] + LOG_OFFSET).std()
    posterior = np.log(curve.paths[:, late] + LOG_OFFSET).std()
    assert 0.8 < spread / posterior < 1.1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda m: replace(m, usable=np.arange(300) < 3), "at least 4"),
        (lambda m: replace(m, push_time=np.r_[m.push_time[:10], m.push_time[9], m.push_time[11:]]), "increase"),
        (lambda m: replace(m, log_modulus=np.r_[m.log_modulus[:-1], np.nan]), "finite"),
        (lambda m: replace(m, covariance=-m.covariance), "positive"),
        (lambda m: replace(m, covariance=np.eye(300) - 1.0 + 0.5), "positive definite"),
    ],
)
def test_what_cannot_be_smoothed_is_refused(well, change, words):
    with pytest.raises(InputError, match=words):
        smooth(change(well), seed=1, paths=10)


def test_few_pushes_are_enough(make_moduli):
    time = np.array([10.0, 20.0, 30.0, 40.0])
    curve = smooth(make_moduli(time, np.log([10.0, 10.5, 20.0, 40.0]), np.eye(4) * 1e-4), seed=1, paths=10)
    assert curve.modulus[-1] == pytest.approx(30.0, rel=0.1)
