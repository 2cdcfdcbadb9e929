"""Constants, charts and rates of control against SciPy, pandas and NumPy on random data."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from stanch.verify.control import Rule, c4, cusum_run_length, d2, d3, individuals, rates, scale, weighted_averages

QUIET = settings(derandomize=True, deadline=None, max_examples=50)
SEED = st.integers(0, 10_000)


@pytest.mark.parametrize("n", [2, 3, 5, 10])
def test_ranges_have_the_moments_of_the_studentized_range(n: int) -> None:
    # With endless degrees of freedom the studentized range is the range of normal values.
    q = stats.studentized_range(n, np.inf)
    mean = integrate.quad(lambda r: q.sf(r), 0, 15, epsabs=1e-9)[0]
    square = integrate.quad(lambda r: 2 * r * q.sf(r), 0, 15, epsabs=1e-9)[0]
    assert d2(n) == pytest.approx(mean, rel=1e-7)
    assert d3(n) == pytest.approx(math.sqrt(square - mean**2), rel=1e-6)


@QUIET
@given(st.integers(2, 400))
def test_c4_is_the_mean_of_the_chi_distribution(n: int) -> None:
    assert c4(n) == pytest.approx(stats.chi(n - 1).mean() / math.sqrt(n - 1), rel=1e-10)


@QUIET
@given(SEED, st.integers(3, 80), st.floats(0.02, 1.0))
def test_weighted_averages_are_those_of_pandas(seed: int, n: int, weight: float) -> None:
    x = np.random.default_rng(seed).normal(10, 2, n)
    start = 8.5
    theirs = pd.Series(np.concatenate([[start], x])).ewm(alpha=weight, adjust=False).mean().to_numpy()[1:]
    found = weighted_averages(x, centre=10.0, sigma=2.0, weight=weight, start=start)
    assert found.value == pytest.approx(theirs, rel=1e-11)


@QUIET
@given(SEED, st.integers(3, 80))
def test_scales_are_those_of_pandas_and_numpy(seed: int, n: int) -> None:
    draw = np.random.default_rng(seed)
    x, run = draw.normal(10, 2, n), draw.integers(0, max(1, n // 3), n)
    moving = pd.Series(x).rolling(2)
    assert scale(x) == pytest.approx(float((moving.max() - moving.min()).mean()) / d2(2), rel=1e-11)
    assert scale(x, method="sd") == pytest.approx(np.std(x, ddof=1))
    groups = pd.Series(x).groupby(run)
    pooled = float((groups.var(ddof=0) * groups.size()).sum() / (n - groups.ngroups)) if n > groups.ngroups else None
    if pooled is not None:
        assert scale(x, method="pooled runs", run=run) == pytest.approx(math.sqrt(pooled), rel=1e-10)
    assert individuals(x).centre == pytest.approx(float(pd.Series(x).mean()))


@QUIET
@given(st.floats(0.5, 4.0), st.integers(1, 5), st.floats(-3, 3), st.floats(0.5, 3.0))
def test_rates_without_memory_are_binomial(limit: float, per_run: int, shift: float, spread: float) -> None:
    p = stats.norm.sf((limit - shift) / spread) + stats.norm.cdf((-limit - shift) / spread)
    found = rates([Rule(beyond=limit)], per_run=per_run, shift=shift, spread=spread)
    assert found.rejection == pytest.approx(1 - stats.binom.pmf(0, per_run, p), rel=1e-9, abs=1e-14)


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_cumulative_sums_by_a_fine_chain_of_states(shift: float) -> None:
    # Brook and Evans: the sum in t narrow states; the error falls with 1/t^2, removed by extrapolation.
    def chain(t: int, k: float = 0.5, h: float = 4.0) -> float:
        w = 2 * h / (2 * t - 1)
        i = np.arange(t)
        edge = (i[None, :] - i[:, None]) * w
        p = stats.norm.cdf(edge + w / 2 + k - shift) - stats.norm.cdf(edge - w / 2 + k - shift)
        p[:, 0] = stats.norm.cdf(-i * w + w / 2 + k - shift)
        return float(np.linalg.solve(np.eye(t) - p, np.ones(t))[0])

    one, two = chain(100), chain(200)
    rich = two + (two - one) / 3
    assert cusum_run_length(0.5, 4.0, shift=shift, sides="upper") == pytest.approx(rich, rel=2e-4)
