"""Lot changes against statsmodels and SciPy on random data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_paired

from stanch.verify.lots import holm, lot_change, rank_shift

QUIET = settings(derandomize=True, deadline=None, max_examples=60)
SEED = st.integers(0, 10_000)


@QUIET
@given(SEED, st.integers(3, 60), st.floats(0.05, 3.0))
def test_paired_equivalence_is_that_of_statsmodels(seed: int, n: int, allowed: float) -> None:
    draw = np.random.default_rng(seed)
    old = draw.normal(50, 10, n)
    new = old + draw.normal(0.3, 1, n)
    found = lot_change(old, new, allowed=allowed)
    p, lower, upper = ttost_paired(new, old, -allowed, allowed)
    assert found.p_equivalence == pytest.approx(p, rel=1e-8, abs=1e-300)
    assert found.equivalence.p_lower == pytest.approx(lower[1], rel=1e-8, abs=1e-300)
    assert found.equivalence.p_upper == pytest.approx(upper[1], rel=1e-8, abs=1e-300)
    ratio = lot_change(old, new, scale="ratio", allowed=1 + allowed / 10)
    logs = ttost_paired(np.log(new), np.log(old), -np.log(1 + allowed / 10), np.log(1 + allowed / 10))
    assert ratio.p_equivalence == pytest.approx(logs[0], rel=1e-7, abs=1e-300)


@QUIET
@given(SEED, st.integers(2, 80))
def test_the_t_test_is_that_of_scipy(seed: int, n: int) -> None:
    draw = np.random.default_rng(seed)
    old, new = draw.normal(50, 10, n), draw.normal(50, 10, n)
    theirs = stats.ttest_rel(new, old)
    ours = lot_change(old, new)
    assert ours.t == pytest.approx(theirs.statistic, rel=1e-9)
    assert ours.p == pytest.approx(theirs.pvalue, rel=1e-8)
    interval = theirs.confidence_interval(0.95)
    assert (ours.difference.low, ours.difference.high) == pytest.approx((interval.low, interval.high), rel=1e-8)
    if n > 2:
        tau = stats.kendalltau((old + new) / 2, new - old)
        assert ours.trend is not None
        assert ours.trend.tau == pytest.approx(tau.statistic)


@QUIET
@given(SEED, st.integers(4, 45), st.floats(0.1, 2.0))
def test_signed_ranks_are_those_of_scipy(seed: int, n: int, allowed: float) -> None:
    d = np.random.default_rng(seed).normal(0.2, 1, n)
    found = rank_shift(d, lower=-allowed, upper=allowed)
    assert found.p_lower == pytest.approx(stats.wilcoxon(d + allowed, alternative="greater", method="exact").pvalue)
    assert found.p_upper == pytest.approx(stats.wilcoxon(d - allowed, alternative="less", method="exact").pvalue)


@settings(derandomize=True, deadline=None, max_examples=8)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_is_that_of_statsmodels(p: list[float]) -> None:
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
