"""Consensus and comparison against statsmodels and SciPy on random data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels import robust
from statsmodels.robust.norms import HuberT, estimate_location

from stanch.verify.external import algorithm_a, compare_instruments, consensus

QUIET = settings(derandomize=True, deadline=None, max_examples=50)
SEED = st.integers(0, 10_000)


@QUIET
@given(SEED, st.integers(5, 60))
def test_the_robust_mean_solves_the_equation_of_statsmodels(seed: int, n: int) -> None:
    x = np.random.default_rng(seed).standard_t(3, n) * 3 + 40
    found = algorithm_a(x)
    theirs = estimate_location(x, found.sd, norm=HuberT(1.5), maxiter=5000, tol=1e-12)
    assert found.value == pytest.approx(float(theirs), abs=1e-7 * found.sd)


@QUIET
@given(SEED, st.integers(4, 60))
def test_the_median_deviation_is_that_of_statsmodels(seed: int, n: int) -> None:
    x = np.random.default_rng(seed).normal(10, 3, n)
    found = consensus(x, method="median", exact=True)
    assert found.sd == pytest.approx(float(robust.mad(x)), rel=1e-12)


@QUIET
@given(SEED, st.integers(2, 30))
def test_two_instruments_are_a_paired_t_test(seed: int, samples: int) -> None:
    draw = np.random.default_rng(seed)
    one, two = draw.normal(50, 5, samples), draw.normal(51, 5, samples)
    names = np.tile([f"s{i}" for i in range(samples)], 2)
    found = compare_instruments(np.concatenate([one, two]), ["a"] * samples + ["b"] * samples, names)
    theirs = stats.ttest_rel(two, one)
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-7)
    assert found.f == pytest.approx(theirs.statistic**2, rel=1e-7)
    assert found.pairs[0].result is not None
    assert found.pairs[0].result.difference.value == pytest.approx((two - one).mean(), rel=1e-9)
