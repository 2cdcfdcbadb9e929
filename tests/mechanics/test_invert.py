"""The fit of every push: exactness, noise model, honesty in liquid, outliers, order, reasons for no estimate."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import binom

from stanch.echo.records import PushFlag
from stanch.errors import InputError
from stanch.mechanics.invert import Frames, InvertSettings, invert
from stanch.mechanics.response import coupling, trace_derivatives

PLAIN = InvertSettings(speckle=False)


def _run(bench, displacement, settings=None):
    return invert(displacement, bench.table, bench.acquisition, bench.geometry, settings)


def _score(moduli, modulus):
    return (moduli.log_modulus - np.log(np.asarray(modulus) + 10.0)) / np.sqrt(np.diag(moduli.covariance))


def _consistent(hits, trials, chance):
    """Whether a count agrees with its chance by an exact two-sided binomial test at 0.001."""
    return min(binom.cdf(hits, trials, chance), binom.sf(hits - 1, trials, chance)) > 0.0005


def test_noise_free_traces_return_their_medium(bench):
    modulus = np.array([-1.0, 0.0, 0.5, 20.0, 100.0, 900.0, 4000.0])
    value = np.array([bench.trace(g) for g in modulus])
    got = _run(bench, bench.displacement(value, 1e-10), PLAIN)
    assert got.modulus == pytest.approx(modulus, rel=1e-6, abs=1e-5)
    assert got.viscosity == pytest.approx(bench.viscosity(modulus), rel=1e-5)
    assert got.force == pytest.approx(bench.force, rel=1e-5)
    assert got.fitted == pytest.approx(value, abs=1e-11)
    assert got.strain == pytest.approx(value.max(axis=1) / bench.geometry.push_radius, rel=1e-4)
    assert got.usable.all()


@pytest.mark.parametrize("chain", [False, True])
def test_it_is_the_least_squares_solution(bench, chain):
    rng = np.random.default_rng(4)
    sd = 0.1e-6
    shared, step = (0.0, sd) if chain else (sd / np.sqrt(2), 0.0)
    own = 1e-9 if chain else sd
    value = bench.draw(rng, 200.0, 3, sd, fixed=not chain)
    got = _run(bench, bench.displacement(value, own, shared=shared, step=step), PLAIN)
    frames = np.arange(64)
    walk = shared**2 + step**2 * (frames + 1)
    root = np.linalg.cholesky(np.diag(np.full(64, own**2)) + walk[np.minimum.outer(frames, frames)])
    c = coupling(bench.table)

    def whitened(parameters):
        y, e, f = parameters
        rest = (bench.acquisition, bench.frame_time, c)
        seen, by_y, by_e = trace_derivatives(bench.table, np.exp(y) - 10, np.exp(e), bench.force * np.exp(f), *rest)
        return seen, np.linalg.solve(root, np.stack([by_y, by_e, seen], axis=1))

    for p in range(3):
        best = least_squares(
            lambda x, p=p: np.linalg.solve(root, whitened(x)[0] - value[p]),
            [np.log(230.0), np.log(0.04), 0.05],
            jac=lambda x: whitened(x)[1],
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        covariance = np.linalg.inv(best.jac.T @ best.jac)
        assert got.log_modulus[p] == pytest.approx(best.x[0], abs=1e-4 * np.sqrt(covariance[0, 0]))
        assert np.log(got.viscosity[p]) == pytest.approx(best.x[1], abs=1e-4 * np.sqrt(covariance[1, 1]))
        assert got.force[p] == pytest.approx(bench.force * np.exp(best.x[2]), rel=1e-5)
        assert got.covariance[p, p] == pytest.approx(covariance[0, 0], rel=1e-3)
        assert got.reduced_chi2[p] == pytest.approx(2 * best.cost / 61, rel=1e-6)


@pytest.mark.parametrize("modulus", [0.0, 1.0, 3.0, 10.0, 50.0, 300.0, 1000.0, 3000.0])
def test_scores_are_standard_normal(bench, modulus):
    n = 1500
    rng = np.random.default_rng(int(modulus) + 1)
    sd = 0.1e-6
    got = _run(bench, bench.displacement(bench.draw(rng, modulus, n, sd), sd, shared=sd / np.sqrt(2)), PLAIN)
    assert got.usable.all()
    z = _score(got, modulus)
    # Limits that a mean and a variance of n standard normals pass with probability 0.998.
    assert abs(z.mean()) < 3.3 / np.sqrt(n)
    assert abs(z.var() - 1) < 3.3 * np.sqrt(2 / n)
    assert _consistent(int(np.sum(np.abs(z) < 1.959964)), n, 0.95)
    assert got.reduced_chi2.mean() == pytest.approx(1.0, abs=3.3 * np.sqrt(2 / 61 / n))
    covered = (got.modulus_low <= modulus) & (modulus <= got.modulus_high)
    if modulus == 0.0:
        assert _consistent(int(np.sum(~got.zero_rejected)), n, 0.975)
        assert np.all(got.modulus_low[~got.zero_rejected] == 0.0)
        assert np.any(got.modulus < 0.0)
        assert _consistent(int(covered.sum()), n, 0.975)
    else:
        assert got.zero_rejected.all()
        assert _consistent(int(covered.sum()), n, 0.95)


def test_holding_outliers_down_costs_nothing_on_clean_frames(bench):
    rng = np.random.default_rng(6)
    sd = 0.1e-6
    displacement = bench.displacement(bench.draw(rng, 150.0, 1000, sd), sd, shared=sd / np.sqrt(2))
    robust, plain = (_run(bench, displacement, replace(PLAIN, robust=on)) for on in (True, False))
    touched = np.abs(robust.log_modulus - plain.log_modulus) > 1e-9
    # 64 frames beyond 4 standard deviations: 0.4 % of pushes.
    assert _consistent(int(touched.sum()), 1000, 1 - (1 - 6.334e-5) ** 64)
    ratio = np.diag(robust.covariance).mean() / np.diag(plain.covariance).mean()
    assert ratio == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("jump", [1e-6, 38e-6])
@pytest.mark.parametrize("modulus", [5.0, 100.0, 1000.0])
def test_outlying_frames_are_held_down(bench, jump, modulus):
    rng = np.random.default_rng(7)
    sd, n = 0.1e-6, 400
    value = bench.draw(rng, modulus, n, sd)
    for row in value:
        row[rng.choice(64, 3, replace=False)] += rng.choice([-1, 1], 3) * jump
    displacement = bench.displacement(value, sd, shared=sd / np.sqrt(2))
    robust = _run(bench, displacement, PLAIN)
    assert robust.usable.mean() > 0.99
    z = _score(robust, modulus)[robust.usable]
    assert np.std(z) < 1.15
    plain = _run(bench, displacement, replace(PLAIN, robust=False))
    # Without that, a push is off by more or has no estimate at all.
    error = [np.median(np.nan_to_num(np.abs(m.modulus - modulus), nan=np.inf)) for m in (robust, plain)]
    assert error[0] < 0.8 * error[1]


def test_lost_frames_do_not_matter(bench):
    rng = np.random.default_rng(8)
    sd, n = 0.1e-6, 800
    value = bench.draw(rng, 80.0, n, sd)
    weight = (rng.random(value.shape) > 0.3).astype(float)
    displacement = bench.displacement(value, sd, shared=sd / np.sqrt(2), weight=weight)
    got = _run(bench, displacement, PLAIN)
    other = _run(bench, replace(displacement, value=np.where(weight > 0, value, 1e-3)), PLAIN)
    assert np.array_equal(got.log_modulus, other.log_modulus)
    assert abs(_score(got, 80.0).var() - 1) < 3.3 * np.sqrt(2 / n)


def test_irregular_frames(bench):
    time = np.sort(bench.frame_time + np.random.default_rng(9).uniform(-3e-5, 3e-5, 64))
    value = bench.trace(60.0, time=time)
    got = _run(bench, bench.displacement(value, 1e-9, time=time), PLAIN)
    assert got.modulus[0] == pytest.approx(60.0, rel=1e-6)


@pytest.mark.parametrize("speckle", [False, True])
def test_feeding_one_at_a_time_is_the_batch(bench, speckle):
    rng = np.random.default_rng(10)
    modulus = np.array([0.0, 0.0, 4.0, 15.0, 60.0, 200.0, 700.0, 2500.0] * 40)
    rng.shuffle(modulus)
    value = np.concatenate([bench.draw(rng, g, 1, 0.1e-6) for g in modulus])
    cells = 20.0 if speckle else np.inf
    make = lambda v: bench.displacement(v, 0.1e-6, shared=0.07e-6, cells=cells)  # noqa: E731
    batch = _run(bench, make(value), InvertSettings())
    order = rng.permutation(modulus.size)
    shuffled = _run(bench, make(value[order]), InvertSettings(threads=1))
    assert shuffled.log_modulus == pytest.approx(batch.log_modulus[order], rel=1e-9, abs=1e-9)
    for p in range(0, modulus.size, 16):
        single = _run(bench, make(value[p]), InvertSettings())
        for name in ("modulus", "modulus_low", "modulus_high", "viscosity", "force", "log_modulus", "speckle"):
            assert getattr(single, name)[0] == pytest.approx(getattr(batch, name)[p], rel=1e-9, abs=1e-9)


def test_the_start_grid_does_not_matter(bench):
    rng = np.random.default_rng(11)
    modulus = np.geomspace(1.0, 3000.0, 200)
    value = np.concatenate([bench.draw(rng, g, 1, 0.1e-6) for g in modulus])
    displacement = bench.displacement(value, 0.1e-6, shared=0.07e-6)
    wide = replace(
        PLAIN,
        start_modulus=tuple(np.geomspace(8.0, 30000.0, 90) - 10.0),
        start_viscosity=tuple(np.geomspace(1e-3, 5.0, 25)),
    )
    one, other = _run(bench, displacement, PLAIN), _run(bench, displacement, wide)
    sd = np.sqrt(np.diag(one.covariance))
    assert np.abs(one.log_modulus - other.log_modulus).max() < 1e-4 * sd.max()


def test_why_a_push_has_no_estimate(bench):
    rng = np.random.default_rng(12)
    sd = 0.1e-6
    value = bench.draw(rng, 100.0, 7, sd)
    value[1] = rng.normal(0.0, sd, 64)
    value[2, 5] = np.nan
    value[5] = rng.normal(0.0, 8e-6, 64)
    value[6] *= 12.0
    weight = np.ones(value.shape)
    weight[3, 4:] = 0.0
    displacement = bench.displacement(value, sd, shared=sd / np.sqrt(2), weight=weight)
    displacement.flags[4] = PushFlag.REFUSED | PushFlag.BUBBLE
    got = _run(bench, displacement, PLAIN)
    assert got.usable.tolist() == [True, False, True, False, False, False, True]
    assert got.flags[0] == 0
    assert got.flags[1] == PushFlag.REFUSED
    assert got.flags[2] == PushFlag.NOT_FINITE
    assert got.flags[3] == PushFlag.REFUSED
    assert got.flags[4] == PushFlag.REFUSED | PushFlag.BUBBLE
    assert got.flags[5] & (PushFlag.MISFIT | PushFlag.NO_CONVERGENCE)
    assert got.flags[6] & PushFlag.STRAIN
    for field in fields(got):
        values = getattr(got, field.name)
        if field.name not in ("push_time", "usable", "zero_rejected", "flags", "covariance", "rheology"):
            assert np.isfinite(values[got.usable]).all(), field.name
            assert np.isnan(values[~got.usable]).all(), field.name
    assert np.isfinite(got.covariance[np.ix_(got.usable, got.usable)]).all()
    assert np.array_equal(displacement.flags, [0, 0, 0, 0, PushFlag.REFUSED | PushFlag.BUBBLE, 0, 0])


def test_no_usable_push_at_all(bench):
    value = np.zeros((3, 64))
    got = _run(bench, bench.displacement(value, 1e-7, weight=np.zeros_like(value)))
    assert not got.usable.any()
    assert np.all(got.flags == PushFlag.REFUSED)
    still = _run(bench, bench.displacement(value, 1e-7))
    assert not still.usable.any()


def test_misfit_widens_the_interval(bench):
    rng = np.random.default_rng(13)
    sd = 0.1e-6
    value = bench.draw(rng, 100.0, 300, 2 * sd)
    got = _run(bench, bench.displacement(value, sd, shared=sd / np.sqrt(2)), PLAIN)
    assert np.all(got.flags & PushFlag.MISFIT)
    assert got.usable.all()
    assert _score(got, 100.0).std() == pytest.approx(1.0, abs=0.14)


@pytest.mark.parametrize("kind", ["fresh", "drifting", "frozen"])
def test_speckle_coverage(bench, kind):
    rng = np.random.default_rng(14)
    pushes, wells, cells, sd, modulus = 60, 25, 20.0, 0.1e-6, 250.0
    i = np.arange(pushes)
    link = {"fresh": None, "frozen": np.ones((pushes, pushes)), "drifting": np.exp(-np.abs(i[:, None] - i) / 10.0)}[
        kind
    ]
    root = np.linalg.cholesky((np.eye(pushes) if link is None else link) + 1e-10 * np.eye(pushes))
    scores, single = [], []
    one = np.full(pushes, 1 / pushes)
    for _ in range(wells):
        delta = np.sqrt(0.5 / (cells - 1)) * root @ rng.normal(size=pushes)
        value = bench.draw(rng, modulus, pushes, sd, delta=delta)
        got = _run(bench, bench.displacement(value, sd, shared=sd / np.sqrt(2), cells=cells, link=link))
        assert np.linalg.eigvalsh(got.covariance).min() > 0
        scores.append((got.log_modulus - np.log(modulus + 10.0)).mean() / np.sqrt(one @ got.covariance @ one))
        # One push of every well, so that the trials are independent though the speckle is shared.
        single.append(abs(_score(got, modulus)[7]) < 1.959964)
        assert np.abs((got.speckle - delta) / got.speckle_sd).mean() < 3.0
    assert _consistent(int(np.sum(np.abs(scores) < 1.959964)), wells, 0.95)
    assert _consistent(int(np.sum(single)), wells, 0.95)


def test_sharing_the_speckle_beats_estimating_it_push_by_push(bench):
    rng = np.random.default_rng(15)
    pushes, sd, modulus = 80, 0.1e-6, 250.0
    error = {}
    for _ in range(12):
        delta = np.sqrt(0.5 / 19) * rng.normal()
        value = bench.draw(rng, modulus, pushes, sd, delta=delta)
        for name, link, settings in (
            ("off", None, PLAIN),
            ("each", None, InvertSettings()),
            ("shared", np.ones((pushes, pushes)), InvertSettings()),
        ):
            shown = bench.displacement(value, sd, shared=sd / np.sqrt(2), cells=20.0, link=link)
            error.setdefault(name, []).append(_run(bench, shown, settings).modulus.mean() / modulus - 1)
    rms = {name: float(np.sqrt(np.mean(np.square(e)))) for name, e in error.items()}
    assert rms["shared"] < 0.7 * rms["each"] < rms["off"]


def test_frames_are_checked(bench):
    with pytest.raises(InputError, match="frame_time"):
        Frames.of(np.array([0.0, 1e-3, 1e-3, 2e-3]), 2e-4)
    with pytest.raises(InputError, match="2 frames after the push"):
        Frames.of(np.array([0.0, 1e-4, 1e-3, 2e-3]), 2e-4)


def test_settings_are_checked():
    with pytest.raises(InputError, match="start grid"):
        InvertSettings(start_modulus=(-20.0, 1.0, 2.0))
    with pytest.raises(InputError, match="start grid"):
        InvertSettings(start_viscosity=(1.0, 2.0))
    with pytest.raises(InputError, match="outlier_threshold"):
        InvertSettings(outlier_threshold=0.5)
    for terms in (((0, 0),), ((2, 0), (1, 0)), ((1, 0), (9, 0))):
        with pytest.raises(InputError, match="speckle_terms"):
            InvertSettings(speckle_terms=terms)
