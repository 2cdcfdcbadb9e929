"""Detection against NumPy, SciPy and statsmodels on random data."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import optimize, special, stats

from stanch.verify.detection import limit_of_blank, limit_of_detection, probit

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import statsmodels.api as sm

SEEDS = st.integers(0, 100_000)
RANDOM = settings(derandomize=True, deadline=None, max_examples=30)


@RANDOM
@given(seed=SEEDS, n=st.integers(10, 200), p=st.sampled_from([0.9, 0.95, 0.99]))
def test_ranks_against_the_hazen_percentile_of_numpy(seed: int, n: int, p: float) -> None:
    x = np.random.default_rng(seed).exponential(size=n)
    found = limit_of_blank(x, alpha=1 - p).limit.value
    assert found == pytest.approx(np.percentile(x, 100 * p, method="hazen"), rel=1e-9)


@RANDOM
@given(seed=SEEDS, n=st.integers(20, 300), confidence=st.sampled_from([0.8, 0.9, 0.95]))
def test_ends_against_the_quantile_interval_of_scipy(seed: int, n: int, confidence: float) -> None:
    x = np.random.default_rng(seed).normal(size=n)
    found = limit_of_blank(x, confidence=confidence).limit
    theirs = stats.quantile_test(x, p=0.95).confidence_interval(confidence)
    # SciPy's ends exist or are NaN; ours may be widened to hold the interpolated value itself.
    for ours, other, pick in ((found.low, theirs.low, min), (found.high, theirs.high, max)):
        if np.isnan(other):
            assert ours is None
        else:
            assert ours == pick(other, found.value)


@RANDOM
@given(seed=SEEDS, n=st.integers(3, 100))
def test_exact_normal_interval_against_scipy(seed: int, n: int) -> None:
    x = np.random.default_rng(seed).normal(size=n)
    found = limit_of_blank(x, method="parametric", factor=False, confidence=0.9).limit
    k = stats.nct.ppf([0.05, 0.95], n - 1, special.ndtri(0.95) * np.sqrt(n)) / np.sqrt(n)
    assert [found.low, found.high] == pytest.approx(x.mean() + k * x.std(ddof=1), rel=1e-6, abs=1e-8)


@RANDOM
@given(seed=SEEDS)
def test_censored_blanks_against_the_fit_of_scipy(seed: int) -> None:
    x = np.random.default_rng(seed).normal(2, 1, 60)
    below = x < 1.5
    assume(0 < below.sum() < 50)
    found = limit_of_blank(np.where(below, 1.5, x), below=below, method="parametric")
    data = stats.CensoredData(uncensored=x[~below], left=np.full(int(below.sum()), 1.5))
    mean, sd = stats.norm.fit(data)
    assert found.limit.value == pytest.approx(mean + special.ndtri(0.95) * sd, rel=1e-4)


@RANDOM
@given(seed=SEEDS)
def test_equal_scatter_of_low_samples_against_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    groups = [rng.normal(5, s, n) for s, n in zip(rng.uniform(0.5, 2, 4), rng.integers(3, 12, 4), strict=True)]
    names = np.repeat(["a", "b", "c", "d"], [g.size for g in groups])
    found = limit_of_detection(limit_of_blank(rng.normal(size=30)), np.concatenate(groups), names)
    assert found.equal_p == pytest.approx(stats.bartlett(*groups).pvalue, rel=1e-7)
    pooled = np.sqrt(sum(g.var(ddof=1) * (g.size - 1) for g in groups) / sum(g.size - 1 for g in groups))
    assert found.sd.value == pytest.approx(pooled, rel=1e-10)


@RANDOM
@given(seed=SEEDS, trials=st.integers(8, 60))
def test_probit_against_the_generalised_linear_model_of_statsmodels(seed: int, trials: int) -> None:
    rng = np.random.default_rng(seed)
    c = np.array([1.0, 2, 4, 8, 16, 32])
    hits = rng.binomial(trials, special.ndtr(-1.2 + 2 * np.log10(c)))
    some, missing = np.flatnonzero(hits > 0), np.flatnonzero(hits < trials)
    assume(some.size > 0 and missing.size > 0 and some.min() < missing.max())
    ours = probit(c, hits, np.full(6, trials), interval="delta")
    family = sm.families.Binomial(link=sm.families.links.Probit())
    rows = sm.add_constant(np.log10(c))
    theirs = sm.GLM(np.column_stack([hits, trials - hits]), rows, family=family).fit(tol=1e-13, maxiter=300)
    assert [ours.intercept, ours.slope] == pytest.approx(theirs.params, rel=1e-5, abs=1e-6)
    assert ours.deviance == pytest.approx(theirs.deviance, rel=1e-6, abs=1e-7)
    assert ours.pearson == pytest.approx(theirs.pearson_chi2, rel=1e-4, abs=1e-6)
    # The variance of the limit to first order, from the model's own expected information.
    u = (special.ndtri(0.95) - theirs.params[0]) / theirs.params[1]
    slope = np.array([-1, -u]) / theirs.params[1]
    se = np.sqrt(slope @ theirs.cov_params() @ slope)
    assert np.log10(ours.limit.high) - u == pytest.approx(1.959963984540054 * se, rel=1e-3)


@RANDOM
@given(seed=SEEDS)
def test_probit_against_a_direct_search(seed: int) -> None:
    rng = np.random.default_rng(seed)
    c = np.array([1.0, 2, 3, 4, 5, 6])
    hits = rng.binomial(15, special.ndtr(-2 + 0.8 * c))
    some, missing = np.flatnonzero(hits > 0), np.flatnonzero(hits < 15)
    assume(some.min() < missing.max())

    def loss(b: np.ndarray) -> float:
        eta = b[0] + b[1] * c
        return -float(np.sum(hits * special.log_ndtr(eta) + (15 - hits) * special.log_ndtr(-eta)))

    found = optimize.minimize(loss, [0.0, 0.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    ours = probit(c, hits, np.full(6, 15), logarithmic=False)
    assert [ours.intercept, ours.slope] == pytest.approx(found.x, rel=1e-4, abs=1e-5)
