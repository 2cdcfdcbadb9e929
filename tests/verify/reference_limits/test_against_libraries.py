"""Reference limits against NumPy, SciPy and statsmodels on random data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from stanch.verify.reference_limits import (
    box_cox,
    group_difference,
    nonparametric_limits,
    normal_limits,
    outside_shared_limits,
    tukey,
)

seeds = st.integers(0, 2**32 - 1)
often = settings(derandomize=True, deadline=None, max_examples=40)


@given(seeds, st.integers(40, 400), st.floats(0.6, 0.99))
@often
def test_limits_by_rank_are_numpys_weibull_quantiles(seed: int, n: int, coverage: float) -> None:
    x = np.random.default_rng(seed).gamma(2, 3, n)
    found = nonparametric_limits(x, coverage=coverage)
    tails = (1 - coverage) / 2, (1 + coverage) / 2
    expected = np.quantile(x, tails, method="weibull")
    assert found.lower is not None
    assert found.upper is not None
    np.testing.assert_allclose([found.lower.value, found.upper.value], expected, rtol=1e-12)


@given(seeds, st.integers(6, 300), st.floats(0.2, 6))
@often
def test_the_exponent_maximises_scipys_likelihood(seed: int, n: int, shape: float) -> None:
    x = np.random.default_rng(seed).gamma(shape, 2, n) + 0.5
    exponent = box_cox(x).exponent
    top = stats.boxcox_llf(exponent.value, x)
    for step in (-0.3, -0.01, 0.01, 0.3):
        assert stats.boxcox_llf(exponent.value + step, x) <= top + 1e-9 * abs(top)
    assert box_cox(x).exponent.value == pytest.approx(stats.boxcox_normmax(x, method="mle"), abs=2e-4)


@given(seeds, st.integers(2, 60), st.integers(2, 60))
@often
def test_z_is_statsmodels_welch_statistic(seed: int, m: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.normal(3, 1, m), rng.normal(4, 2, n)
    z = CompareMeans(DescrStatsW(x), DescrStatsW(y)).ztest_ind(usevar="unequal")[0]
    assert group_difference(x, y).z == pytest.approx(abs(z))


@given(seeds, st.integers(3, 200))
@often
def test_normal_limits_have_scipys_non_central_t_coverage(seed: int, n: int) -> None:
    x = np.random.default_rng(seed).normal(size=n)
    found = normal_limits(x)
    assert found.upper is not None
    root = np.sqrt(n)
    for end, p in ((found.upper.low, 0.05), (found.upper.high, 0.95)):
        k = (end - x.mean()) / x.std(ddof=1)
        assert stats.nct.cdf(k * root, n - 1, stats.norm.ppf(0.975) * root) == pytest.approx(p, abs=1e-7)


@given(seeds, st.integers(3, 300))
@often
def test_shares_have_statsmodels_exact_interval(seed: int, n: int) -> None:
    x = np.random.default_rng(seed).normal(size=n)
    found = outside_shared_limits(x, lower=-1.5, upper=2.0).below
    assert found is not None
    low, high = proportion_confint(int((x < -1.5).sum()), n, method="beta")
    assert (found.low, found.high) == pytest.approx((np.nan_to_num(low), np.nan_to_num(high, nan=1.0)), abs=1e-12)


@given(seeds, st.integers(3, 200))
@often
def test_fences_are_numpys_quartiles(seed: int, n: int) -> None:
    x = np.random.default_rng(seed).normal(size=n)
    first, third = np.quantile(x, [0.25, 0.75], method="weibull")
    found = tukey(x)
    assert (found.low, found.high) == pytest.approx((2.5 * first - 1.5 * third, 2.5 * third - 1.5 * first))
