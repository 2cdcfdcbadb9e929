"""Fits: the same as invert for Kelvin-Voigt, efficient and honest for the others, in liquids too, with and without
speckle, order of pushes and outlying frames without effect, reasons for no estimate."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import binom

from stanch.echo.records import PushFlag
from stanch.errors import InputError
from stanch.mechanics.invert import InvertSettings, invert
from stanch.mechanics.response import coupling
from stanch.mechanics.rheology import response
from stanch.mechanics.rheology.fit import LARGEST_LOSS_TANGENT, fit, log_loss_tangent
from stanch.mechanics.rheology.models import relaxance, to_search
from stanch.mechanics.rheology.records import MODELS

PLAIN = InvertSettings(speckle=False)
STRAIGHT = InvertSettings(speckle=False, profiles=False)
SD = 0.1e-6
MEDIA = {
    "kelvin_voigt": {"modulus": 100.0, "viscosity": 0.05},
    "spring_pot": {"pot": 0.5, "order": 0.5},
    "fractional_kelvin_voigt": {"modulus": 100.0, "pot": 3.0, "order": 0.5},
    "zener": {"modulus": 100.0, "branch": 60.0, "relaxation": 2e-3},
}


def _trace(bench, model, parameters, order=0):
    return response.trace(bench.table, model, parameters, bench.force, bench.acquisition, bench.frame_time, order=order)


def _noisy(rng, clean, pushes, sd=SD):
    return clean + rng.normal(0.0, sd, (pushes, clean.size)) + rng.normal(0.0, sd / np.sqrt(2), (pushes, 1))


def _fit(bench, displacement, model, settings=PLAIN, **more):
    return fit(displacement, bench.table, bench.acquisition, bench.geometry, model=model, settings=settings, **more)


def _consistent(hits, trials, chance):
    return min(binom.cdf(hits, trials, chance), binom.sf(hits - 1, trials, chance)) > 0.0005


@pytest.mark.parametrize("modulus", [0.0, 3.0, 100.0, 1000.0])
def test_kelvin_voigt_is_what_invert_says(bench, modulus):
    rng = np.random.default_rng(1)
    displacement = bench.displacement(bench.draw(rng, modulus, 20, SD), SD, shared=SD / np.sqrt(2))
    a = invert(displacement, bench.table, bench.acquisition, bench.geometry, PLAIN)
    b = _fit(bench, displacement, "kelvin_voigt", STRAIGHT)
    assert b.log_modulus == pytest.approx(a.log_modulus, abs=1e-6)
    assert b.viscosity == pytest.approx(a.viscosity, rel=1e-5)
    assert b.force == pytest.approx(a.force, rel=1e-6)
    assert b.covariance == pytest.approx(a.covariance, rel=1e-4, abs=1e-12)
    assert b.flags.tolist() == a.flags.tolist()
    assert b.zero_rejected.tolist() == a.zero_rejected.tolist()


def test_kelvin_voigt_with_shared_speckle_is_what_invert_says(bench):
    rng = np.random.default_rng(2)
    link = 0.7 + 0.3 * np.eye(12)
    displacement = bench.displacement(
        bench.draw(rng, 200.0, 12, SD, delta=0.2), SD, shared=SD / np.sqrt(2), cells=20.0, link=link
    )
    a = invert(displacement, bench.table, bench.acquisition, bench.geometry)
    b = _fit(bench, displacement, "kelvin_voigt", InvertSettings(profiles=False))
    assert b.log_modulus == pytest.approx(a.log_modulus, abs=1e-8)
    assert b.covariance == pytest.approx(a.covariance, rel=1e-6)
    assert b.deviation == pytest.approx(a.deviation, abs=1e-6)


@pytest.mark.parametrize("model", ["spring_pot", "fractional_kelvin_voigt", "zener"])
def test_noise_free_traces_return_their_medium(bench, model):
    got = _fit(bench, bench.displacement(_trace(bench, model, MEDIA[model]), 1e-10), model)
    g = complex(relaxance(model, MEDIA[model], 200j * np.pi))
    assert got.modulus[0] == pytest.approx(g.real, rel=1e-4)
    assert got.rheology.storage[0] == pytest.approx(got.modulus[0], rel=1e-12)
    assert got.rheology.loss[0] == pytest.approx(g.imag, rel=1e-4)
    assert got.viscosity[0] == pytest.approx(g.imag / (200 * np.pi), rel=1e-4)
    assert got.rheology.log_loss_tangent[0] == pytest.approx(np.log(g.imag / g.real), abs=1e-4)
    for name, value in MEDIA[model].items():
        assert got.rheology.parameters[name][0] == pytest.approx(value, rel=5e-3)


def test_it_is_the_least_squares_solution_with_its_fisher_information(bench):
    rng = np.random.default_rng(3)
    value = _noisy(rng, _trace(bench, "spring_pot", MEDIA["spring_pot"]), 3)
    got = _fit(bench, bench.displacement(value, SD, shared=SD / np.sqrt(2)), "spring_pot")
    root = np.linalg.cholesky(SD**2 * (np.eye(64) + 0.5))
    c = coupling(bench.table)

    def model(x):
        rows = response.trace_derivatives(
            bench.table, "spring_pot", x[:2], 100.0, bench.force * np.exp(x[2]), bench.acquisition, bench.frame_time, c
        )
        return np.linalg.solve(root, rows[0]), np.linalg.solve(root, np.stack([rows[1], rows[2], rows[0]], axis=1))

    for p in range(3):
        white = np.linalg.solve(root, value[p])
        start = np.append(to_search("spring_pot", {"pot": 0.6, "order": 0.45}, 100.0), 0.1)
        best = least_squares(
            lambda x, white=white: model(x)[0] - white,
            start,
            jac=lambda x: model(x)[1],
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        covariance = np.linalg.inv(best.jac.T @ best.jac)
        order = got.rheology.parameters["order"][p]
        assert np.log(order) == pytest.approx(best.x[1], abs=1e-3 * np.sqrt(covariance[1, 1]))
        assert got.rheology.covariance[p, 1, 1] == pytest.approx(covariance[1, 1], rel=1e-3)
        assert got.force[p] == pytest.approx(bench.force * np.exp(best.x[2]), rel=1e-5)
        assert got.reduced_chi2[p] == pytest.approx(2 * best.cost / 61, rel=1e-6)


@pytest.mark.parametrize("model", ["spring_pot", "fractional_kelvin_voigt", "zener"])
def test_intervals_cover_and_are_no_wider_than_need_be(bench, model):
    n = 400
    rng = np.random.default_rng(4)
    got = _fit(
        bench,
        bench.displacement(_noisy(rng, _trace(bench, model, MEDIA[model]), n), SD, shared=SD / np.sqrt(2)),
        model,
    )
    g = complex(relaxance(model, MEDIA[model], 200j * np.pi))
    assert got.usable.all()
    covered = (got.modulus_low <= g.real) & (g.real <= got.modulus_high)
    assert _consistent(int(covered.sum()), n, 0.95)
    lost = np.abs(got.rheology.log_loss_tangent - np.log(g.imag / g.real)) < 1.96 * got.rheology.log_loss_tangent_sd
    assert _consistent(int(lost.sum()), n, 0.95)
    score = (got.log_modulus - np.log(g.real + 10)) / np.sqrt(np.diag(got.covariance))
    assert score.std() == pytest.approx(1.0, abs=0.13)
    assert got.reduced_chi2.mean() == pytest.approx(1.0, abs=0.03)
    assert np.all(np.abs(got.rheology.correlation) <= 1.0)


def test_shared_speckle_is_in_the_covariance_of_the_well(bench):
    rng = np.random.default_rng(5)
    pushes, cells, wells = 15, 20.0, 40
    model, medium = "spring_pot", MEDIA["spring_pot"]
    rows = [_trace(bench, model, medium, order=k) for k in (0, 1, 2)]
    truth = np.log(complex(relaxance(model, medium, 200j * np.pi)).real + 10.0)
    tau, score, plain = np.sqrt(0.5 / (cells - 1)), [], []
    mean = np.full(pushes, 1.0 / pushes)
    for _ in range(wells):
        clean = rows[0] + tau * (rng.normal() * rows[1] + rng.normal() * rows[2])
        displacement = bench.displacement(
            _noisy(rng, clean, pushes), SD, shared=SD / np.sqrt(2), cells=cells, link=np.ones((pushes, pushes))
        )
        got = _fit(bench, displacement, model, InvertSettings())
        score.append(mean @ (got.log_modulus - truth) / np.sqrt(mean @ got.covariance @ mean))
        without = _fit(bench, displacement, model)
        plain.append(mean @ (without.log_modulus - truth) / np.sqrt(mean @ without.covariance @ mean))
    assert _consistent(int(np.sum(np.abs(score) < 1.96)), wells, 0.95)
    # Without the deviations the same wells are far off what they claim.
    assert np.mean(np.abs(plain) < 1.96) < 0.6


def test_pushes_of_a_frozen_clot_share_the_error_of_their_loss_tangent(bench):
    rng = np.random.default_rng(9)
    pushes, cells = 10, 20.0
    clean = _trace(bench, "zener", MEDIA["zener"]) + 0.16 * _trace(bench, "zener", MEDIA["zener"], order=1)
    found = {}
    for link in (0.0, 1.0):
        linked = (1.0 - link) * np.eye(pushes) + link
        displacement = bench.displacement(
            _noisy(rng, clean, pushes), SD, shared=SD / np.sqrt(2), cells=cells, link=linked
        )
        got = _fit(bench, displacement, "zener", InvertSettings())
        r = got.rheology
        assert np.allclose(np.diag(r.shared), r.log_loss_tangent_sd**2)
        assert np.allclose(r.shared, r.shared.T)
        whole = np.block([[r.shared, r.cross], [r.cross.T, got.covariance]])
        assert np.linalg.eigvalsh(whole).min() > -1e-9 * np.trace(whole)
        own = np.sqrt(np.diag(r.shared) * np.diag(got.covariance))
        assert np.diag(r.cross) / own == pytest.approx(r.correlation, abs=1e-6)
        found[link] = (r.shared - np.diag(np.diag(r.shared))).sum() / np.trace(r.shared)
        assert r.first(4).shared.shape == (4, 4)
    assert found[0.0] == pytest.approx(0.0, abs=1e-9)
    assert found[1.0] > 0.05


@pytest.mark.parametrize("model", ["kelvin_voigt", "spring_pot"])
def test_a_liquid_has_only_a_lower_limit_of_the_loss_tangent(bench, model):
    n = 300
    rng = np.random.default_rng(6)
    clean = _trace(bench, "kelvin_voigt", {"modulus": 0.0, "viscosity": 0.004})
    got = _fit(bench, bench.displacement(_noisy(rng, clean, n), SD, shared=SD / np.sqrt(2)), model)
    assert got.usable.all()
    assert _consistent(int(np.sum(~got.zero_rejected)), n, 0.975)
    here = ~got.zero_rejected
    assert np.all(got.modulus_low[here] == 0.0)
    assert np.any(got.rheology.storage < 0.0)
    r = got.rheology
    low = r.log_loss_tangent - 1.959964 * r.log_loss_tangent_sd
    high = r.log_loss_tangent + 1.959964 * r.log_loss_tangent_sd
    # To the stated largest value; a little beyond it where the lower limit is as high.
    assert np.median(high[here]) == pytest.approx(np.log(LARGEST_LOSS_TANGENT))
    assert np.all(
        (high[here] > np.log(LARGEST_LOSS_TANGENT) - 1e-6) & (high[here] < np.log(LARGEST_LOSS_TANGENT) + 0.1)
    )
    # A liquid is never said to have gelled.
    assert np.all(low > 0.0)
    assert np.all(np.isfinite(r.log_loss_tangent_sd))


def test_loss_tangent_from_a_phase_angle():
    angle, sd = np.array([0.3, 1.0, 1.58]), np.array([1e-3, 1e-3, 0.05])
    value, spread = log_loss_tangent(angle, sd, np.array([True, True, False]))
    assert value[:2] == pytest.approx(np.log(np.tan(angle[:2])))
    assert spread[:2] == pytest.approx(2e-3 / np.sin(2 * angle[:2]))
    assert value[2] - 1.959964 * spread[2] == pytest.approx(np.log(np.tan(1.58 - 1.959964 * 0.05)))


@pytest.mark.parametrize("model", MODELS)
def test_order_and_company_of_pushes_do_not_matter(bench, model):
    rng = np.random.default_rng(7)
    value = _noisy(rng, _trace(bench, "spring_pot", {"pot": 60.0, "order": 0.2}), 5)
    whole = _fit(bench, bench.displacement(value, SD, shared=SD / np.sqrt(2)), model)
    turned = _fit(bench, bench.displacement(value[::-1], SD, shared=SD / np.sqrt(2)), model)
    alone = _fit(bench, bench.displacement(value[2:3], SD, shared=SD / np.sqrt(2)), model)
    assert turned.log_modulus[::-1] == pytest.approx(whole.log_modulus, abs=1e-12)
    assert alone.log_modulus[0] == pytest.approx(whole.log_modulus[2], abs=1e-12)


@pytest.mark.parametrize("model", ["spring_pot", "zener"])
def test_size_of_the_movement_does_not_matter(bench, model):
    rng = np.random.default_rng(8)
    value = _noisy(rng, _trace(bench, model, MEDIA[model]), 4)
    a = _fit(bench, bench.displacement(value, SD, shared=SD / np.sqrt(2)), model)
    b = _fit(bench, bench.displacement(3 * value, 3 * SD, shared=3 * SD / np.sqrt(2)), model)
    assert b.log_modulus == pytest.approx(a.log_modulus, abs=1e-9)
    assert b.force == pytest.approx(3 * a.force, rel=1e-9)


def test_outlying_frames_are_held_down(bench):
    rng = np.random.default_rng(9)
    n = 60
    clean = _noisy(rng, _trace(bench, "spring_pot", MEDIA["spring_pot"]), n)
    hit = clean.copy()
    hit[np.arange(n), rng.integers(5, 60, n)] += 2e-6
    a, b, plain = (
        _fit(bench, bench.displacement(v, SD, shared=SD / np.sqrt(2)), "spring_pot", s)
        for v, s in ((clean, PLAIN), (hit, PLAIN), (hit, replace(PLAIN, robust=False)))
    )
    sd = np.sqrt(np.diag(a.covariance))
    assert np.sqrt(np.mean(((b.log_modulus - a.log_modulus) / sd) ** 2)) < 0.5
    assert np.sqrt(np.mean(((plain.log_modulus - a.log_modulus) / sd) ** 2)) > 1.0


@pytest.mark.parametrize("model", MODELS)
def test_why_a_push_has_no_estimate(bench, model):
    rng = np.random.default_rng(10)
    value = _noisy(rng, _trace(bench, "kelvin_voigt", MEDIA["kelvin_voigt"]), 4)
    value[1] = rng.normal(0.0, SD, 64)
    weight = np.ones(value.shape)
    weight[2, 4:] = 0.0
    got = _fit(bench, bench.displacement(value, SD, shared=SD / np.sqrt(2), weight=weight), model)
    assert got.flags[1] & PushFlag.REFUSED
    assert got.flags[2] & PushFlag.REFUSED
    assert not got.usable[1:3].any()
    r = got.rheology
    for values in (r.storage, r.loss, r.log_loss_tangent, r.log_evidence, r.damping_ratio, *r.parameters.values()):
        assert np.isfinite(values[got.usable]).all()
        assert np.isnan(values[~got.usable]).all()


def test_refusals(bench):
    displacement = bench.displacement(_trace(bench, "zener", MEDIA["zener"]), SD)
    with pytest.raises(InputError, match="rheology model"):
        _fit(bench, displacement, "maxwell")
    with pytest.raises(InputError, match="frequency"):
        _fit(bench, displacement, "zener", frequency=0.0)
