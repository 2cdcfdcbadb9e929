"""The curve of the loss tangent: its posterior, its paths beside those of the modulus, and what it leaves alone."""

from dataclasses import replace

import numpy as np
import pytest

from stanch.curve.basis import Warp, spline_weights
from stanch.curve.fitted import fit
from stanch.curve.loss import FEWEST, LOG_CAP, crossing, joint_draws, loss_pushes
from stanch.curve.noise import Pushes, usable_pushes
from stanch.curve.posterior import CurveSettings, _prior, smooth
from stanch.mechanics.records import LOG_OFFSET
from stanch.mechanics.rheology.records import Rheology


def told(moduli, log_loss, sd, seed=0, correlation=None, frequency=100.0):
    """The same moduli with a loss tangent of every push, its errors drawn."""
    size = moduli.push_time.size
    noise = np.random.default_rng(seed).standard_normal(size)
    nothing = np.zeros(size)
    spread = np.broadcast_to(np.asarray(sd, dtype=float), (size,)).copy()
    rheology = Rheology(
        "fractional_kelvin_voigt", frequency, {}, np.zeros((size, 0, 0)), nothing, nothing,
        log_loss(moduli.push_time) + spread * noise, spread, nothing, nothing, correlation=correlation,
    )  # fmt: skip
    return replace(moduli, rheology=rheology)


@pytest.fixture
def draw(make_moduli):
    def drawn(function, *, end, interval=15.0, sd=0.01, seed=0):
        rng = np.random.default_rng([seed, 9])
        time = np.arange(interval, end + 1e-9, interval)
        value = np.log(function(time) + LOG_OFFSET) + sd * rng.standard_normal(time.size)
        return make_moduli(time, value, np.diag(np.full(time.size, sd**2)))

    return drawn


@pytest.fixture
def clot(clotting):
    return lambda: clotting


def falls(t):
    return 3.0 - 5.0 / (1.0 + np.exp(-(t - 600.0) / 15.0))


def test_the_modulus_is_untouched_by_a_loss_tangent(draw, clot):
    moduli = draw(clot(), end=1500.0)
    plain, rich = smooth(moduli, seed=3), smooth(told(moduli, falls, 0.1), seed=3)
    for name in ("time", "modulus", "low", "high", "paths", "centre", "resampled"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(rich, name))
    assert (plain.frequency, plain.loss_tangent, plain.loss_paths, plain.loss_absent) == (None, None, None, "")
    assert rich.frequency == 100.0


def test_the_band_holds_the_truth_and_the_median_of_the_paths_is_the_curve(draw, clot):
    curve = smooth(told(draw(clot(), end=1500.0, interval=6.0), falls, 0.05), seed=3, paths=2000)
    truth = np.exp(falls(curve.time))
    inside = (curve.loss_low <= truth) & (truth <= curve.loss_high)
    assert inside.mean() > 0.85
    np.testing.assert_allclose(np.median(np.log(curve.loss_paths), axis=0), np.log(curve.loss_tangent), atol=0.03)
    wide = np.log(curve.loss_high / curve.loss_low) / 3.92
    np.testing.assert_allclose(np.log(curve.loss_paths).std(axis=0), wide, rtol=0.15)
    assert np.median(wide) < 0.03


def test_the_crossing_of_one_is_not_smeared(draw, clot):
    """A fall over 15 s among pushes 6 s apart: the curve passes 1 within a push of where the truth does."""
    curve = smooth(told(draw(clot(), end=1500.0, interval=6.0), falls, 0.03), seed=3)
    passed = np.interp(0.0, -np.log(curve.loss_tangent), curve.time)
    true = 600.0 + 15.0 * np.log(3.0 / 2.0)
    assert passed == pytest.approx(true, abs=1.5)
    assert curve.settings["loss_corner"] == pytest.approx(true, abs=12.0)


def test_paths_are_correlated_as_the_errors_of_the_pushes(draw, clot):
    moduli = draw(clot(), end=900.0, interval=6.0, sd=0.02)
    flat = np.zeros_like
    found = {}
    for share in (-0.9, 0.0, 0.9):
        all_ = np.full(moduli.push_time.size, share)
        curve = smooth(told(moduli, flat, 0.02, correlation=all_), seed=3, paths=4000)
        middle = curve.time.size // 2
        y, z = np.log(curve.paths[:, middle] + LOG_OFFSET), np.log(curve.loss_paths[:, middle])
        found[share] = float(np.corrcoef(y, z)[0, 1])
    assert found[-0.9] < -0.2
    assert abs(found[0.0]) < 0.06
    assert found[0.9] > 0.2


def test_paths_have_the_covariance_of_the_errors_of_two_smoothers(draw, clot):
    """K_y S K_z' with the gains written out, own posterior of each curve kept."""
    rng = np.random.default_rng(2)
    moduli = draw(clot(), end=900.0, interval=9.0, sd=0.02)
    size = moduli.push_time.size
    moduli = replace(moduli, covariance=0.02**2 * (0.5 * np.eye(size) + 0.5))
    moduli = told(moduli, falls, 0.05, correlation=rng.uniform(-0.8, 0.8, size))
    found = loss_pushes(moduli, moduli.rheology)
    settings = CurveSettings()
    pushes = usable_pushes(moduli)
    warp = Warp(850.0, 60.0, 0.3, 225.0, 9.0, 900.0)
    one, two = (fit(given, warp, _prior(warp, settings), 99.0) for given in (pushes, found.pushes))
    normal = rng.standard_normal((200_000, warp.size))
    drawn = joint_draws(one, two, found, normal, rng)
    np.testing.assert_allclose(drawn.T @ drawn / len(drawn), np.eye(warp.size), atol=0.02)
    first, blend = spline_weights(warp, pushes.time)
    design = np.zeros((size, warp.size))
    np.put_along_axis(design, first[:, None] + np.arange(4), blend, axis=1)
    gains = [f.weights.root @ f.weights.root.T @ design.T @ np.linalg.inv(f.pushes.covariance) for f in (one, two)]
    shared = found.cross
    wanted = gains[1] @ shared @ gains[0].T
    got = two.weights.root @ (drawn.T @ normal / len(drawn)) @ one.weights.root.T
    scale = np.sqrt(np.outer(np.sum(two.weights.root**2, axis=1), np.sum(one.weights.root**2, axis=1)))
    np.testing.assert_allclose(got / scale, wanted / scale, atol=0.015)
    assert np.abs(wanted / scale).max() > 0.1


def test_errors_shared_between_pushes_do_not_average_down(draw):
    moduli = draw(lambda t: np.full_like(t, 90.0), end=900.0, interval=6.0, sd=0.02)
    size = moduli.push_time.size
    shared = replace(moduli, covariance=0.02**2 * (0.1 * np.eye(size) + 0.9))
    width = {}
    for name, given in (("own", moduli), ("shared", shared)):
        curve = smooth(told(given, np.zeros_like, 0.02, correlation=np.full(size, 0.95)), seed=3)
        width[name] = float(np.median(np.log(curve.loss_high / curve.loss_low)))
    assert width["shared"] > 3.0 * width["own"]


def test_liquid_pushes_say_little_and_are_capped(draw, clot):
    moduli = told(draw(clot(), end=900.0, interval=6.0), lambda t: np.full_like(t, 40.0), 8.0)
    found = loss_pushes(moduli, moduli.rheology)
    assert found.pushes.value.max() == LOG_CAP
    assert found.pushes.sd.max() < 8.0
    curve = smooth(moduli, seed=1)
    assert np.isfinite(curve.loss_paths).all()
    assert (curve.loss_paths > 0.0).all()


def test_too_few_pushes_are_said_so(draw, clot):
    moduli = told(draw(clot(), end=900.0), falls, 0.1)
    value = moduli.rheology.log_loss_tangent.copy()
    value[FEWEST - 1 :] = np.nan
    curve = smooth(replace(moduli, rheology=replace(moduli.rheology, log_loss_tangent=value)), seed=1)
    assert curve.loss_tangent is None
    assert str(FEWEST - 1) in curve.loss_absent
    assert curve.frequency == 100.0


def test_a_seed_fixes_every_path(draw, clot):
    moduli = told(draw(clot(), end=900.0), falls, 0.1)
    one, two, three = (smooth(moduli, seed=seed) for seed in (4, 4, 5))
    np.testing.assert_array_equal(one.loss_paths, two.loss_paths)
    assert not np.array_equal(one.loss_paths, three.loss_paths)


@pytest.mark.parametrize(("level", "wanted"), [(2.0, 77.0), (-2.0, 77.0)])
def test_a_loss_tangent_that_never_passes_one_keeps_the_corner_of_the_modulus(level, wanted):
    time = np.arange(10.0)
    pushes = Pushes.build(time, np.full(10, level), np.eye(10))
    assert crossing(pushes, 77.0) == wanted
