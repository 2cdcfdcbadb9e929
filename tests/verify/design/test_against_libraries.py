"""Against statsmodels and SciPy on random settings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from stanch.verify.design import (
    area_variance,
    reference_limits_n,
    sd_power,
    share_n,
    share_power,
    share_rule,
    t_test_n,
    t_test_power,
    tolerance_confidence,
    tolerance_n,
)
from stanch.verify.design.means import shifted_t

ALPHA = st.sampled_from([0.01, 0.025, 0.05, 0.1])
QUICK = settings(derandomize=True, deadline=None, max_examples=60)


@QUICK
@given(st.integers(2, 400), st.floats(0.05, 3.0), ALPHA, st.booleans())
def test_t_test_power(n, effect, alpha, paired) -> None:
    reference = (TTestPower() if paired else TTestIndPower()).power(effect, n, alpha)
    if not np.isfinite(reference):
        return
    found = t_test_power(n, difference=effect * 7, sd=7.0, alpha=alpha, groups="paired" if paired else "two")
    assert found == pytest.approx(float(reference), abs=2e-9)


@QUICK
@given(st.floats(0.2, 2.0), st.floats(0.5, 0.99), ALPHA)
def test_t_test_size(effect, power, alpha) -> None:
    found = t_test_n(power, difference=effect, sd=1.0, alpha=alpha)
    assert found is not None
    if found > 2.5:
        assert found == pytest.approx(TTestIndPower().solve_power(effect, alpha=alpha, power=power), rel=1e-6)


@QUICK
@given(st.floats(-6.0, 12.0), st.floats(1.0, 300.0), st.floats(0.0, 8.0))
def test_shifted_t(t, df, shift) -> None:
    reference = float(stats.nct.cdf(t, df, shift))
    # SciPy has no value for some far below the shift.
    if math.isnan(reference):
        return
    assert shifted_t(t, df, shift) == pytest.approx(reference, abs=1e-8)


@QUICK
@given(st.integers(1, 300), st.floats(0.5, 0.99), st.floats(0.3, 0.95), ALPHA)
def test_exact_test_of_a_share(n, true, claimed, alpha) -> None:
    least = share_rule(n, claimed=claimed, alpha=alpha)
    if least is None:
        assert stats.binomtest(n, n, claimed, alternative="greater").pvalue > alpha
        assert share_power(n, true=true, claimed=claimed, alpha=alpha) == 0
        return
    assert stats.binomtest(least, n, claimed, alternative="greater").pvalue <= alpha * (1 + 1e-9)
    if least > 0:
        assert stats.binomtest(least - 1, n, claimed, alternative="greater").pvalue > alpha * (1 - 1e-9)
    expected = stats.binom.sf(least - 1, n, true)
    assert share_power(n, true=true, claimed=claimed, alpha=alpha) == pytest.approx(expected, abs=1e-12)


@QUICK
@given(st.floats(0.55, 0.99), st.floats(0.2, 0.5), st.floats(0.5, 0.99))
def test_normal_size_for_a_share_gives_the_power_it_was_made_for(true, claimed, power) -> None:
    n = share_n(power, true=true, claimed=claimed)
    edge = claimed + stats.norm.ppf(0.975) * math.sqrt(claimed * (1 - claimed) / n)
    assert stats.norm.sf(edge, true, math.sqrt(true * (1 - true) / n)) == pytest.approx(power, abs=1e-9)


@QUICK
@given(st.floats(0.6, 0.995), st.floats(0.5, 0.99))
def test_tolerance_by_the_beta_distribution(share, confidence) -> None:
    for sides in (1, 2):
        n = tolerance_n(share=share, confidence=confidence, sides=sides)
        # The share between order statistics has a beta distribution.
        reference = [stats.beta.sf(share, m - sides + 1, sides) for m in (n, n - 1)]
        assert tolerance_confidence(n, share=share, sides=sides) == pytest.approx(reference[0], abs=1e-10)
        assert reference[0] >= confidence - 1e-12
        assert n == sides or reference[1] < confidence + 1e-12


@QUICK
@given(st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_reference_limits_by_the_binomial_distribution(share, confidence) -> None:
    n = reference_limits_n(share=share, confidence=confidence)
    outside = (1 - share) / 2
    assert stats.binom.pmf(0, n, outside) <= (1 - confidence) / 2 + 1e-12
    assert n == 1 or stats.binom.pmf(0, n - 1, outside) > (1 - confidence) / 2 - 1e-12


@QUICK
@given(st.floats(1.0, 500.0), st.floats(1.0, 3.0))
def test_standard_deviation_by_the_chi_square_distribution(df, allowed) -> None:
    edge = stats.chi2.ppf(0.05, df) * allowed**2
    assert sd_power(df, sd=2.0, allowed=2.0 * allowed) == pytest.approx(stats.chi2.cdf(edge, df), abs=1e-10)


def test_area_variance_of_exponential_scores() -> None:
    rng = np.random.default_rng(4)
    area, m, n = 0.8, 15, 25
    rate = area / (1 - area)
    healthy, diseased = rng.exponential(1.0, (4000, n)), rng.exponential(rate, (4000, m))
    found = (diseased[:, :, None] > healthy[:, None, :]).mean(axis=(1, 2))
    assert found.mean() == pytest.approx(area, abs=0.004)
    assert found.var() == pytest.approx(area_variance(area, diseased=m, healthy=n), rel=0.09)
