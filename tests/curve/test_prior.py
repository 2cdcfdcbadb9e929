"""The smoothness prior against dense linear algebra."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from stanch.curve.prior import SMALLEST, Evidence, Smoothness, fit_smoothness, solve


@pytest.fixture
def prior():
    return Smoothness.build(
        np.linspace(-2.0, 4.0, 14),
        np.array([-2.0, 1.0, 4.0]),
        order=3,
        memory=8.0,
        level=-3.0,
        level_sd=2.0,
        drift_sd=1.5,
    )


@pytest.fixture
def data(prior):
    rng = np.random.default_rng(3)
    design = rng.normal(size=(30, 14))
    root = np.tril(0.02 * rng.normal(size=(30, 30))) + 0.4 * np.eye(30)
    value = rng.normal(size=30)
    inverse = np.linalg.inv(root)
    gain, white = inverse @ design, inverse @ value
    return design, root @ root.T, value, Evidence(gain, white, gain.T @ gain, gain.T @ white)


def _dense(prior, theta, design, noise, value):
    inverse = np.linalg.inv(prior.difference)
    covariance = inverse @ np.diag(np.exp(2.0 * prior.log_sd(theta))) @ inverse.T
    total = design @ covariance @ design.T + noise
    gain = covariance @ design.T @ np.linalg.inv(total)
    evidence = multivariate_normal(np.zeros(value.size), total).logpdf(value)
    return gain @ value, covariance - gain @ design @ covariance, evidence


def test_conditioning_is_the_textbook_one(prior, data):
    design, noise, value, evidence = data
    theta = np.array([-1.0, 0.0, -2.0])
    mean, covariance, _ = _dense(prior, theta, design, noise, value)
    found = solve(evidence, prior, theta)
    assert found.mean == pytest.approx(mean, rel=1e-7, abs=1e-9)
    assert found.root @ found.root.T == pytest.approx(covariance, rel=1e-5, abs=1e-7)


def test_evidence_differs_between_hyperparameters_as_the_density_of_the_data(prior, data):
    design, noise, value, evidence = data
    one, two = np.array([-1.0, 0.0, -2.0]), np.array([0.5, -1.0, -3.0])
    found = [solve(evidence, prior, t).log_evidence for t in (one, two)]
    away = [0.5 * (t - prior.centre) @ prior.penalty @ (t - prior.centre) for t in (one, two)]
    wanted = [_dense(prior, t, design, noise, value)[2] for t in (one, two)]
    assert found[0] + away[0] - found[1] - away[1] == pytest.approx(wanted[0] - wanted[1], rel=1e-8)


def test_the_mode_is_a_maximum(prior, data):
    _, _, _, evidence = data
    theta, covariance = fit_smoothness(evidence, prior, prior.centre, tolerance=1e-6, rounds=200)
    best = solve(evidence, prior, theta).log_evidence
    for direction in np.linalg.cholesky(covariance).T:
        for sign in (-0.3, 0.3):
            assert solve(evidence, prior, theta + sign * direction).log_evidence < best


def test_a_curve_is_never_taken_as_smoother_than_the_algebra_bears(prior):
    assert prior.log_sd(np.full(3, -50.0)).min() == SMALLEST


def test_a_slope_dies_out_over_the_memory(prior):
    row = prior.difference[3, :4]
    keep = np.exp(-1.0 / 8.0)
    assert row == pytest.approx(np.convolve([1.0, -1.0], np.convolve([1.0, -keep], [1.0, -keep]))[::-1])
