"""Censored least squares against the likelihood itself, and its edges."""

import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from stanch.errors import InputError
from stanch.verify.censored import censored_fit


def _data(seed: int, n: int = 60):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    y = x @ [1.0, 2.0] + rng.normal(size=n)
    above = y > 1.5 + rng.normal(size=n)
    below = ~above & (y < -1.0)
    value = np.where(above, np.minimum(y, 1.5), np.where(below, -1.0, y))
    return x, value, below, above


def _negative(p, x, y, below, above):
    mean, sd = x @ p[:-1], np.exp(p[-1])
    exact = ~(below | above)
    total = stats.norm.logpdf(y, mean, sd)[exact].sum()
    return -(total + stats.norm.logsf(y, mean, sd)[above].sum() + stats.norm.logcdf(y, mean, sd)[below].sum())


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10_000))
def test_it_is_the_top_of_the_likelihood_as_scipy_finds_it(seed):
    x, y, below, above = _data(seed)
    found = censored_fit(x, y, below, above)
    start = np.r_[found.coefficients + 0.1, np.log(found.sd) + 0.1]
    other = optimize.minimize(_negative, start, args=(x, y, below, above), method="BFGS", options={"gtol": 1e-7})
    assert found.log_likelihood == pytest.approx(-other.fun, abs=1e-7)
    np.testing.assert_allclose(found.coefficients, other.x[:2], atol=2e-5)
    assert found.sd == pytest.approx(np.exp(other.x[2]), rel=2e-5)


def test_its_covariance_is_that_of_the_curvature():
    x, y, below, above = _data(3)
    found = censored_fit(x, y, below, above)
    top = np.r_[found.coefficients, np.log(found.sd)]
    h = 1e-4
    bend = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            a, b = np.eye(3)[i] * h, np.eye(3)[j] * h
            bend[i, j] = sum(
                s * t * _negative(top + s * a + t * b, x, y, below, above) for s in (1, -1) for t in (1, -1)
            ) / (4 * h * h)
    np.testing.assert_allclose(found.covariance, np.linalg.inv(bend)[:2, :2], rtol=1e-4)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.sampled_from([1e-12, 1.0, 1e12]))
def test_without_bounds_it_is_ordinary_least_squares_as_statsmodels_has_it(seed, scale):
    rng = np.random.default_rng(seed)
    x = sm.add_constant(rng.normal(size=(12, 2)))
    y = scale * rng.normal(size=12)
    found, other = censored_fit(x, y), sm.OLS(y, x).fit()
    np.testing.assert_allclose(found.coefficients, other.params, rtol=1e-9, atol=1e-12 * scale)
    np.testing.assert_allclose(found.covariance, other.cov_params(), rtol=1e-8)
    assert found.sd == pytest.approx(np.sqrt(other.scale))
    # The likelihood of largest value has divisor n; ours is stated at the unbiased SD.
    assert found.log_likelihood == pytest.approx(stats.norm.logpdf(y, x @ found.coefficients, found.sd).sum())


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_scaling_and_shifting_go_through(scale):
    x, y, below, above = _data(5)
    plain, other = censored_fit(x, y, below, above), censored_fit(x, scale * (y + 7), below, above)
    np.testing.assert_allclose(other.coefficients, scale * np.add(plain.coefficients, [7, 0]), rtol=1e-8)
    assert other.sd == pytest.approx(scale * plain.sd, rel=1e-8)


def test_swapping_both_sides_turns_the_sign():
    x, y, below, above = _data(6)
    plain, other = censored_fit(x, y, below, above), censored_fit(x, -y, above, below)
    np.testing.assert_allclose(other.coefficients, -plain.coefficients, rtol=1e-8)


def test_an_exact_line_with_bounds_it_satisfies_has_no_scatter():
    x = np.column_stack([np.ones(5), np.arange(5.0)])
    found = censored_fit(x, [0, 2, 4, 6, 5], None, [False] * 4 + [True])
    np.testing.assert_allclose(found.coefficients, [0, 2], atol=1e-12)
    assert found.sd == 0


@pytest.mark.parametrize(
    ("x", "y", "above", "words"),
    [
        ([[1.0, 0], [1, 1], [1, 2]], [1.0, 2, 3], [False, False, True], "more than 2"),
        ([[1.0, 3], [1, 3], [1, 3]], [1.0, 2, 3], None, "terms that differ"),
        ([[1.0], [1]], [1.0, np.inf], None, "finite"),
        ([[1.0], [1]], [1.0], None, "one row"),
    ],
)
def test_what_cannot_be_fitted_is_refused(x, y, above, words):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(InputError, match=words):
            censored_fit(x, y, None, above)


def test_a_value_cannot_be_a_bound_both_ways():
    with pytest.raises(InputError, match="both"):
        censored_fit([[1.0]] * 3, [1.0, 2, 3], [True, False, False], [True, False, False])
