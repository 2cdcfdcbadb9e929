"""Evidence against importance sampling, choice between models, the sum over a run, and what difference models make."""

from dataclasses import replace

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.mechanics.invert import InvertSettings
from stanch.mechanics.response import coupling
from stanch.mechanics.rheology import response
from stanch.mechanics.rheology.difference import informed_band, storage_at
from stanch.mechanics.rheology.evidence import over_run
from stanch.mechanics.rheology.fit import compare, fit
from stanch.mechanics.rheology.models import PARAMETERS, relaxance, to_search
from stanch.mechanics.rheology.priors import Priors
from stanch.mechanics.rheology.records import MODELS

PLAIN = InvertSettings(speckle=False)
SD = 0.1e-6
LONG = np.concatenate([1.25e-4 * np.arange(1, 41), np.geomspace(5.2e-3, 0.1, 24)])
MEDIA = {
    "kelvin_voigt": {"modulus": 100.0, "viscosity": 0.05},
    "spring_pot": {"pot": 0.5, "order": 0.5},
    "fractional_kelvin_voigt": {"modulus": 100.0, "pot": 3.0, "order": 0.5},
    "zener": {"modulus": 100.0, "branch": 60.0, "relaxation": 2e-3},
}


def _displacement(bench, rng, model, parameters, pushes, sd=SD, time=None, **more):
    time = bench.frame_time if time is None else time
    clean = response.trace(bench.table, model, parameters, bench.force, bench.acquisition, time)
    value = clean + rng.normal(0.0, sd, (pushes, time.size)) + rng.normal(0.0, sd / np.sqrt(2), (pushes, 1))
    return bench.displacement(value, sd, shared=sd / np.sqrt(2), time=time, **more)


@pytest.mark.parametrize("model", MODELS)
def test_evidence_is_the_integral_over_the_priors(bench, model):
    rng = np.random.default_rng(11)
    displacement = _displacement(bench, rng, model, MEDIA[model], 1)
    settings = replace(PLAIN, robust=False)
    got = fit(displacement, bench.table, bench.acquisition, bench.geometry, model=model, settings=settings)
    r = got.rheology
    names = PARAMETERS[model]
    x = to_search(model, {n: r.parameters[n][0] for n in names}, 100.0)
    from stanch.mechanics.rheology.models import log_jacobian

    back = np.linalg.inv(log_jacobian(model, x, 100.0))
    root = np.linalg.cholesky(back @ r.covariance[0] @ back.T) * 1.5
    priors = Priors()
    mean, sd = priors.of(model)
    median, width = priors.force
    white = np.linalg.inv(np.linalg.cholesky(SD**2 * (np.eye(64) + 0.5)))
    target, c = white @ displacement.value[0], coupling(bench.table, displacement.depth, displacement.sensitivity[0])
    freedom, draws, logs = 6.0, 3000, []
    for _ in range(draws):
        z = rng.standard_normal(x.size) * np.sqrt(freedom / rng.chisquare(freedom))
        at = x + root @ z
        try:
            row = response.trace_derivatives(
                bench.table, model, at, 100.0, 1.0, bench.acquisition, bench.frame_time, c
            )[0]
        except InputError:
            continue
        row = white @ row
        # The force by a Gaussian integral in ln F about its best value, which its prior hardly bends.
        best = (row @ target) / (row @ row)
        fit_cost = target @ target - best**2 * (row @ row)
        density = -0.5 * fit_cost + 0.5 * np.log(2 * np.pi / (best**2 * (row @ row)))
        density -= 0.5 * (np.log(best / median) / width) ** 2 + np.log(width * np.sqrt(2 * np.pi))
        density += np.linalg.slogdet(white)[1] - 32 * np.log(2 * np.pi)
        density += np.sum(-0.5 * ((at - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))
        from scipy.special import gammaln

        k = x.size
        proposal = gammaln(0.5 * (freedom + k)) - gammaln(0.5 * freedom) - 0.5 * k * np.log(freedom * np.pi)
        proposal -= np.log(np.diag(root)).sum() + 0.5 * (freedom + k) * np.log1p(z @ z / freedom)
        logs.append(density - proposal)
    top = np.max(logs)
    found = top + np.log(np.exp(np.array(logs) - top).sum() / draws)
    assert r.log_evidence[0] == pytest.approx(found, abs=0.25)


@pytest.mark.parametrize("model", MODELS)
def test_evidence_picks_the_right_model(bench, model):
    rng = np.random.default_rng(12)
    displacement = _displacement(bench, rng, model, MEDIA[model], 12, time=LONG)
    found = compare(displacement, bench.table, bench.acquisition, bench.geometry, settings=PLAIN)
    assert set(found) == set(MODELS)
    run = over_run(found)
    assert run.model == model
    assert run.pushes == 12
    best = np.array(list(found))[np.argmax(list(found.values()), axis=0)]
    assert np.mean(best == model) >= 0.75


def test_frames_no_model_explains_do_not_decide(bench):
    rng = np.random.default_rng(13)
    clean = _displacement(bench, rng, "zener", MEDIA["zener"], 6)
    hit = clean.value.copy()
    hit[:, 30] += 5e-6
    found = [
        compare(d, bench.table, bench.acquisition, bench.geometry, models=("zener", "spring_pot"), settings=PLAIN)
        for d in (clean, replace(clean, value=hit))
    ]
    factor = [f["zener"] - f["spring_pot"] for f in found]
    assert factor[1] == pytest.approx(factor[0], abs=0.35 * np.abs(factor[0]).max())


def test_rivals_stand_in_the_record(bench):
    rng = np.random.default_rng(14)
    displacement = _displacement(bench, rng, "spring_pot", MEDIA["spring_pot"], 4)
    given = (displacement, bench.table, bench.acquisition, bench.geometry)
    got = fit(*given, model="spring_pot", rivals=("kelvin_voigt", "zener", "spring_pot"), settings=PLAIN)
    found = compare(*given, models=("spring_pot", "kelvin_voigt", "zener"), settings=PLAIN)
    assert sorted(got.rheology.rivals) == ["kelvin_voigt", "zener"]
    for name, values in got.rheology.rivals.items():
        assert values == pytest.approx(found[name], abs=1e-9)
    assert got.rheology.log_evidence == pytest.approx(found["spring_pot"], abs=1e-9)


def test_speckle_of_each_push_is_integrated_over(bench):
    rng = np.random.default_rng(15)
    medium = MEDIA["kelvin_voigt"]
    rows = [
        response.trace(bench.table, "kelvin_voigt", medium, bench.force, bench.acquisition, bench.frame_time, order=k)
        for k in (0, 1)
    ]
    value = rows[0] + 0.3 * rows[1] + rng.normal(0, SD, (6, 64)) + rng.normal(0, SD / np.sqrt(2), (6, 1))
    displacement = bench.displacement(value, SD, shared=SD / np.sqrt(2), cells=10.0, link=np.ones((6, 6)))
    given = (displacement, bench.table, bench.acquisition, bench.geometry)
    models = ("kelvin_voigt", "spring_pot")
    known = compare(*given, models=models)
    ignored = compare(*given, models=models, settings=PLAIN)
    assert known["kelvin_voigt"].sum() > ignored["kelvin_voigt"].sum()
    assert np.all(known["kelvin_voigt"] > known["spring_pot"])


def test_sum_over_a_run():
    evidence = {"a": np.array([3.0, 5.0, np.nan]), "b": np.array([1.0, 4.0, 2.0])}
    run = over_run(evidence)
    assert (run.model, run.rival, run.pushes) == ("a", "b", 2)
    assert run.log_factor == pytest.approx(3.0)
    assert run.probability["a"] == pytest.approx(1 / (1 + np.exp(-3.0)))
    frozen = over_run(evidence, np.ones((3, 3)))
    assert frozen.independent == pytest.approx(1.0)
    assert frozen.cautious == pytest.approx(1.5)
    assert frozen.probability["b"] == pytest.approx(1 / (1 + np.exp(1.5)))
    assert "log factor of 3 (1.5" in frozen.words
    with pytest.raises(InputError):
        over_run({"a": [1.0]})
    with pytest.raises(InputError):
        over_run({"a": [np.nan], "b": [1.0]})


def test_storage_elsewhere_is_the_models_and_says_so(bench):
    rng = np.random.default_rng(16)
    model, medium = "spring_pot", {"pot": 60.0, "order": 0.15}
    displacement = _displacement(bench, rng, model, medium, 200)
    got = fit(displacement, bench.table, bench.acquisition, bench.geometry, model=model, settings=PLAIN)
    band = informed_band(model, medium, bench.table, bench.acquisition, bench.frame_time)
    same = storage_at(got.rheology, 100.0, band)
    assert same.storage == pytest.approx(got.modulus, rel=1e-9)
    assert same.low == pytest.approx(got.modulus_low, rel=1e-6)
    assert same.high == pytest.approx(got.modulus_high, rel=1e-6)
    assert same.inside
    slow = storage_at(got.rheology, 1.0, band)
    truth = complex(relaxance(model, medium, 2j * np.pi)).real
    assert not slow.inside
    assert "extrapolated" in slow.words
    covered = np.mean((slow.low <= truth) & (truth <= slow.high))
    assert 0.89 < covered < 0.99
    other = fit(displacement, bench.table, bench.acquisition, bench.geometry, model="kelvin_voigt", settings=PLAIN)
    # Kelvin-Voigt has one and the same storage modulus at all frequencies, and is sure of it.
    wrong = storage_at(other.rheology, 1.0)
    assert np.nanmedian(wrong.low) > 1.3 * truth
    assert wrong.inside is None
    with pytest.raises(InputError):
        storage_at(got.rheology, 0.0)


def test_the_informed_band_follows_medium_and_frames(bench):
    given = (bench.table, bench.acquisition)
    soft = informed_band("kelvin_voigt", {"modulus": 100.0, "viscosity": 0.02}, *given, LONG)
    # Four times the modulus at half the damping's share doubles every frequency of the well.
    hard = informed_band("kelvin_voigt", {"modulus": 400.0, "viscosity": 0.04}, *given, LONG)
    assert soft[0] < 83.7 < soft[1]
    assert hard[0] == pytest.approx(2 * soft[0], rel=0.1)
    assert hard[1] == pytest.approx(2 * soft[1], rel=0.1)
    short = informed_band("spring_pot", MEDIA["spring_pot"], *given, bench.frame_time)
    long = informed_band("spring_pot", MEDIA["spring_pot"], *given, LONG)
    assert long[0] < 0.3 * short[0]
    with pytest.raises(InputError):
        informed_band("spring_pot", MEDIA["spring_pot"], *given, [1.0])


def test_priors_are_proper():
    with pytest.raises(InputError, match="prior of order"):
        Priors(order=(0.4, 0.0))
