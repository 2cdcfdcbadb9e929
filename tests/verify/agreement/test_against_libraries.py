"""Live checks on random data against SciPy, NumPy and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from stanch.verify.agreement import (
    cusum_linearity,
    deming,
    known_errors,
    limits_by_level,
    limits_of_agreement,
    limits_with_repeats,
    ordinary_line,
    passing_bablok,
)
from stanch.verify.agreement.noncentral import noncentral_t_quantile


def sample(seed: int, n: int) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(20, 200, n)
    u, v = rng.uniform(1, 6, n), rng.uniform(1, 6, n)
    return true + u * rng.normal(size=n), 3 + 1.2 * true + v * rng.normal(size=n), u, v


def total_least_squares(x: np.ndarray, y: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Line (intercept, slope) and true x by SciPy's general least squares over all unknowns."""

    def rest(p: np.ndarray) -> np.ndarray:
        return np.concatenate([(x - p[2:]) / u, (y - p[0] - p[1] * p[2:]) / v])

    start = np.concatenate([[0.0, 1.0], x])
    return np.asarray(optimize.least_squares(rest, start, xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac").x)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6), st.integers(5, 25))
def test_known_errors_against_scipy_least_squares_over_all_unknowns(seed: int, n: int) -> None:
    x, y, u, v = sample(seed, n)
    found = known_errors(x, y, u, v)
    best = total_least_squares(x, y, u, v)
    assert found.line.a == pytest.approx(best[0], rel=1e-5, abs=1e-5)
    assert found.line.b == pytest.approx(best[1], rel=1e-7)
    assert found.adjusted_x == pytest.approx(best[2:], rel=1e-6)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6), st.integers(5, 40), st.floats(0.1, 10.0))
def test_deming_against_scipy_least_squares_over_all_unknowns(seed: int, n: int, ratio: float) -> None:
    x, y, _, _ = sample(seed, n)
    best = total_least_squares(x, y, np.full(n, math.sqrt(ratio)), np.ones(n))
    line = deming(x, y, error_ratio=ratio)
    assert line.b == pytest.approx(best[1], rel=1e-7)
    assert line.a == pytest.approx(best[0], rel=1e-5, abs=1e-5)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6), st.integers(5, 30))
def test_known_errors_without_x_errors_against_statsmodels_wls(seed: int, n: int) -> None:
    x, y, _, v = sample(seed, n)
    other = sm.WLS(y, sm.add_constant(x), weights=1 / v**2).fit(cov_type="fixed scale")
    found = known_errors(x, y, 0.0, v)
    assert (found.line.a, found.line.b) == (pytest.approx(other.params[0]), pytest.approx(other.params[1]))
    assert found.line.se_slope == pytest.approx(other.bse[1])
    assert found.line.se_intercept == pytest.approx(other.bse[0])
    assert found.chi2 == pytest.approx(float(np.sum(((y - other.fittedvalues) / v) ** 2)))


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6), st.integers(4, 30))
def test_ordinary_line_against_statsmodels(seed: int, n: int) -> None:
    x, y, _, _ = sample(seed, n)
    other = sm.OLS(y, sm.add_constant(x)).fit()
    line = ordinary_line(x, y)
    assert (line.a, line.b) == (pytest.approx(other.params[0]), pytest.approx(other.params[1]))
    assert [line.intercept.low, line.intercept.high] == pytest.approx(other.conf_int()[0].tolist())
    assert [line.slope.low, line.slope.high] == pytest.approx(other.conf_int()[1].tolist())
    at = other.get_prediction([[1.0, 77.0]]).conf_int()[0] - 77.0
    assert [line.bias_at(77.0).low, line.bias_at(77.0).high] == pytest.approx(at.tolist())


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 10**6), st.integers(6, 60))
def test_passing_bablok_is_theil_sen_of_the_difference_on_the_sum(seed: int, n: int) -> None:
    x, y, _, _ = sample(seed, n)
    found = passing_bablok(x, y, bias_interval="none")
    lean = stats.theilslopes(y - x, x + y).slope
    assert found.line.b == pytest.approx((1 + lean) / (1 - lean), rel=1e-9 if found.slopes % 2 else 2e-2)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10**6), st.integers(10, 80))
def test_cusum_statistic_is_the_two_sample_kolmogorov_distance(seed: int, n: int) -> None:
    x, y, _, _ = sample(seed, n)
    line = passing_bablok(x, y, bias_interval="none").line
    found = cusum_linearity(x, y, line.a, line.b)
    rest = y - line.a - line.b * x
    place = y + x / line.b
    clear = np.abs(rest) > 1e-9
    distance = stats.ks_2samp(place[clear & (rest > 0)], place[clear & (rest < 0)], method="asymp").statistic
    assert found.largest == pytest.approx(math.sqrt(found.above * found.below) * float(distance))


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(2, 300), st.floats(0.005, 0.995), st.floats(-3.0, 3.0))
def test_noncentral_t_against_scipy(n: int, p: float, k: float) -> None:
    shift = k * math.sqrt(n)
    found = noncentral_t_quantile(p, n - 1.0, shift)
    assert float(stats.nct.cdf(found, n - 1, shift)) == pytest.approx(p, abs=1e-7)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10**6), st.integers(3, 60))
def test_exact_limits_against_scipy_noncentral_t(seed: int, n: int) -> None:
    x, y, _, _ = sample(seed, n)
    d = y - x
    found = limits_of_agreement(x, y)
    ends = d.mean() + d.std(ddof=1) / math.sqrt(n) * stats.nct.ppf([0.025, 0.975], n - 1, 1.96 * math.sqrt(n))
    assert [found.upper.low, found.upper.high] == pytest.approx(ends.tolist(), rel=1e-6)
    low, high = stats.t.interval(0.95, n - 1, d.mean(), d.std(ddof=1) / math.sqrt(n))
    assert [found.bias.low, found.bias.high] == pytest.approx([low, high])


@settings(derandomize=True, deadline=None, max_examples=10)
@given(st.integers(0, 10**6))
def test_limits_by_level_against_statsmodels(seed: int) -> None:
    x, y, _, _ = sample(seed, 40)
    found = limits_by_level(x, y, draws=100)
    design = sm.add_constant((x + y) / 2)
    first = sm.OLS(y - x, design).fit()
    second = sm.OLS(np.abs(first.resid), design).fit()
    assert (found.bias.a, found.bias.b) == (pytest.approx(first.params[0]), pytest.approx(first.params[1]))
    factor = math.sqrt(math.pi / 2)
    assert found.spread.b == pytest.approx(factor * second.params[1])
    assert found.spread.a == pytest.approx(factor * second.params[0])


@settings(derandomize=True, deadline=None, max_examples=10)
@given(st.integers(0, 10**6))
def test_repeated_readings_against_scipy_analysis_of_variance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    groups = [rng.normal(rng.normal(), 1.0, int(rng.integers(2, 6))) for _ in range(8)]
    s = np.repeat(np.arange(8), [g.size for g in groups])
    x = rng.uniform(10, 20, s.size)
    found = limits_with_repeats(s, x, s, x + np.concatenate(groups), truth="varying")
    total = s.size
    typical = (total - sum(g.size**2 for g in groups) / total) / 7
    assert found.within is not None
    assert found.between_raw is not None
    f = float(stats.f_oneway(*groups).statistic)
    assert 1 + typical * found.between_raw / found.within == pytest.approx(f, rel=1e-7)
