"""Interference, stability and carry-over: against SciPy, against statsmodels and by hand."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import ttost_paired

from stanch.errors import InputError
from stanch.verify.interference import (
    carry_over_regression,
    carry_over_sequences,
    dose_response,
    paired_interference,
)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.sampled_from(["difference", "ratio"]))
def test_pairs_are_statsmodels_two_one_sided_tests(seed, scale):
    rng = np.random.default_rng(seed)
    x = np.exp(rng.normal(5, 0.4, 15))
    y = x * np.exp(rng.normal(0.02, 0.05, 15))
    allowed = 1.1 if scale == "ratio" else 20.0
    found = paired_interference(x, y, allowed=allowed, scale=scale)
    a, b = (np.log(x), np.log(y)) if scale == "ratio" else (x, y)
    edge = np.log(1.1) if scale == "ratio" else 20.0
    p = ttost_paired(b, a, -edge, edge)[0]
    assert found.equivalence.p == pytest.approx(p, rel=1e-9)
    assert (found.equivalence.outcome == "met") == (p < 0.05)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10_000))
def test_pools_are_welchs_interval(seed):
    rng = np.random.default_rng(seed)
    x, y = rng.normal(100, 3, 12), rng.normal(103, 6, 9)
    found = paired_interference(x, y, pairing="pools").wide
    other = stats.ttest_ind(y, x, equal_var=False).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((other.low, other.high))


def test_swapping_test_and_control_inverts_the_ratio():
    rng = np.random.default_rng(1)
    x, y = np.exp(rng.normal(5, 0.2, (2, 9)))
    a, b = paired_interference(x, y, scale="ratio").effect, paired_interference(y, x, scale="ratio").effect
    assert (b.value, b.low, b.high) == pytest.approx((1 / a.value, 1 / a.high, 1 / a.low))


def _series(slope=-0.03, spread=0.005, donors=8, seed=0):
    rng = np.random.default_rng(seed)
    x = np.tile([0.0, 1, 2, 4], donors)
    name = np.repeat([f"d{k}" for k in range(donors)], 4)
    own = np.repeat(slope + rng.normal(0, spread, donors), 4)
    return x, np.exp(np.repeat(rng.normal(6, 0.3, donors), 4) + own * x + rng.normal(0, 0.01, x.size)), name


def test_a_claim_holds_for_every_time_up_to_it():
    x, y, name = _series()
    found = dose_response(x, y, name, allowed=1.1, scale="ratio", claim=2.0)
    assert found.outcome == "met"
    assert found.tolerated_up.low > 2.0
    late = dose_response(x, y, name, allowed=1.1, scale="ratio", claim=4.0)
    assert late.outcome == ("not met" if late.tolerated_up.high is not None else "undecided")
    for one in (found, late):
        assert one.tolerated_up.value == pytest.approx(np.log(1.1) / 0.03, rel=0.25)


def test_the_mean_rate_is_that_of_a_mixed_model_in_equal_designs():
    rng = np.random.default_rng(3)
    x, name = np.tile([0.0, 1, 2, 4], 20), np.repeat(np.arange(20), 4)
    y = rng.normal(0, 2, 20)[name] + (1 + rng.normal(0, 1, 20))[name] * x + rng.normal(0, 0.5, 80)
    found = dose_response(x, y, name.astype(str)).slope
    design = np.column_stack([np.ones(80), x])
    mixed = sm.MixedLM(y, design, groups=name, exog_re=design).fit(reml=True)
    assert found.value == pytest.approx(mixed.params[1], rel=1e-6)
    half = (found.high - found.low) / 2 / stats.t.ppf(0.975, 19)
    # REML stops near 1e-5 relative; its variance is a function of several components.
    assert half == pytest.approx(mixed.bse[1], rel=1e-3)


def test_levels_are_paired_means_against_the_reference():
    x, y, name = _series()
    found = dose_response(x, y, name, scale="difference").levels
    table = y.reshape(8, 4)
    other = stats.ttest_rel(table[:, 2], table[:, 0]).confidence_interval(0.9)
    assert [one.dose for one in found] == [1.0, 2.0, 4.0]
    assert (found[1].effect.low, found[1].effect.high) == pytest.approx((other.low, other.high))


def test_curvature_shows_as_misfit():
    x = np.tile([0.0, 1, 2, 3], 6)
    name = np.repeat(np.arange(6).astype(str), 4)
    y = 10 + x**2 + np.random.default_rng(0).normal(0, 0.01, 24)
    assert dose_response(x, y, name).misfit > 1.0
    assert dose_response(x, y, name, order=2).misfit < 0.1
    assert dose_response(x, y, name, order=3).misfit is None


def test_a_claim_outside_the_tested_range_is_refused():
    with pytest.raises(InputError, match="tested range"):
        dose_response(*_series(), claim=9.0)


def test_sequences_by_hand():
    high = [[100.0, 101, 102], [98, 99, 100]]
    low = [[12.0, 10.5, 10], [11, 10, 10]]
    found = carry_over_sequences(high, low, allowed=0.2)
    assert found.each == pytest.approx((2 / 92, 1 / 90))
    assert found.share.value == pytest.approx((2 / 92 + 1 / 90) / 2)
    assert found.high_share.value == pytest.approx((100 - 98) / (100 - 10))
    assert found.outcome == "met"


def test_a_high_sample_below_the_low_one_is_refused():
    with pytest.raises(InputError, match="higher than low"):
        carry_over_sequences([[1.0, 1.0]], [[2.0, 2.0]])


def test_regression_finds_the_exact_share_without_noise():
    rng = np.random.default_rng(0)
    mu, order = np.array([100.0, 300, 900]), rng.integers(0, 3, 40)
    before = np.r_[order[0], order[:-1]]
    y = mu[order] + 0.07 * (mu[before] - mu[order])
    found = carry_over_regression(y, order.astype(str))
    assert found.share.value == pytest.approx(0.07, abs=1e-10)
    assert found.rise.value == pytest.approx(0.07 * 800, rel=1e-8)


@settings(derandomize=True, deadline=None, max_examples=10)
@given(st.integers(0, 10_000), st.sampled_from([1e-12, 1.0, 1e12]))
def test_regression_is_nonlinear_least_squares_as_scipy_has_it(seed, scale):
    from scipy import optimize

    rng = np.random.default_rng(seed)
    mu, order = np.array([100.0, 300, 900]), rng.integers(0, 3, 50)
    before = np.r_[order[0], order[:-1]]
    has = np.r_[0.0, np.ones(49)]
    y = mu[order] + 0.03 * has * (mu[before] - mu[order]) + rng.normal(0, 5, 50)

    def residual(p):
        return p[:3][order] + p[3] * has * (p[:3][before] - p[:3][order]) - y

    other = optimize.least_squares(residual, [*mu, 0.0], x_scale=[100, 100, 100, 0.1], xtol=1e-14, ftol=1e-14)
    found = carry_over_regression(scale * y, order.astype(str)).share
    assert found.value == pytest.approx(other.x[3], rel=1e-5, abs=1e-8)
    variance = 2 * other.cost / 46 * np.linalg.inv(other.jac.T @ other.jac)[3, 3]
    assert (found.high - found.low) / 2 == pytest.approx(stats.t.ppf(0.95, 46) * np.sqrt(variance), rel=1e-3)


@pytest.mark.parametrize(
    ("y", "sample", "words"),
    [
        ([5.0] * 8, ["a", "b"] * 4, "the same number throughout"),
        ([1.0, 2, 1, 2], ["a", "b", "a", "b"], "several results"),
        ([1.0, 2, 1.5, 1.2, 1.9, 1.1, 1.4, 1.6], ["a", "a", "b", "b", "a", "b", "b", "a"], "hardly differ"),
    ],
)
def test_orders_that_show_nothing_are_refused(y, sample, words):
    with pytest.raises(InputError, match=words):
        carry_over_regression(y, sample)
