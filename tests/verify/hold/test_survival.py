"""Kaplan-Meier masses against SciPy, quantile intervals against exact order statistics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stanch.verify.hold import masses, quantile_interval
from stanch.verify.hold.survival import share_variance


@settings(derandomize=True, deadline=None, max_examples=50)
@given(st.integers(0, 10_000), st.booleans())
def test_masses_are_the_steps_of_scipys_curve(seed, ties):
    rng = np.random.default_rng(seed)
    x = rng.exponential(size=25)
    x = np.round(x, 1) + 0.1 if ties else x
    hidden = rng.random(25) < 0.4
    hidden[0] = False
    found = masses(x, hidden)
    curve = stats.ecdf(stats.CensoredData(uncensored=x[~hidden], right=x[hidden])).cdf
    reached = np.cumsum(found.mass)
    for at, share in zip(curve.quantiles, curve.probabilities):
        assert reached[np.searchsorted(found.value, at, side="right") - 1] == pytest.approx(share, abs=1e-12)
    assert found.rest == pytest.approx(1 - reached[-1], abs=1e-12)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_weights_count_as_copies(seed):
    rng = np.random.default_rng(seed)
    x, hidden, times = rng.normal(size=12), rng.random(12) < 0.4, rng.integers(0, 4, 12)
    times[0] = 1
    weighted = masses(x, hidden, times.astype(float)[None, :])
    copied = masses(np.repeat(x, times), np.repeat(hidden, times))
    for at in x:
        a = weighted.mass[0][weighted.value <= at].sum()
        assert a == pytest.approx(copied.mass[copied.value <= at].sum(), abs=1e-12)


@pytest.mark.parametrize(("n", "share", "level"), [(60, 0.9, 0.9), (40, 0.5, 0.95), (100, 0.9, 0.9), (29, 0.9, 0.9)])
def test_ranks_are_those_of_the_binomial(n, share, level):
    tail = (1 - level) / 2
    x = np.arange(1.0, n + 1)
    found = quantile_interval(x, np.full(n, 1 / n), share, effective=n, level=level)
    high = next(r for r in range(1, n + 1) if stats.binom.cdf(r - 1, n, share) >= 1 - tail)
    low = next(r for r in range(n, 0, -1) if stats.binom.sf(r - 1, n, share) >= 1 - tail)
    assert (found.low, found.high) == (low, high)


def test_too_few_numbers_have_no_upper_limit():
    found = quantile_interval(np.arange(28.0), np.full(28, 1 / 28), 0.9, effective=28, level=0.9)
    assert found.high is None
    assert found.why == "Too few curves for an upper limit."


def test_a_quantile_beyond_what_was_seen_is_missing():
    found = quantile_interval([1.0, 2.0], [0.3, 0.2], 0.9, effective=10)
    assert found.value is None


def test_all_equal_numbers():
    found = quantile_interval(np.ones(50), np.full(50, 0.02), 0.9, effective=50)
    assert (found.value, found.low, found.high) == (1.0, 1.0, 1.0)


def test_variance_of_a_share_is_greenwoods_where_every_donor_has_one_curve():
    rng = np.random.default_rng(0)
    x, bound = np.round(rng.normal(size=300), 1), rng.normal(0.8, 1, 300)
    hidden, value = x > bound, np.minimum(x, bound)
    share, total = 1.0, 0.0
    for at in np.unique(value[~hidden & (value <= 0.0)]):
        risk, events = (value >= at).sum(), ((value == at) & ~hidden).sum()
        share *= 1 - events / risk
        total += events / (risk * (risk - events))
    assert share_variance(value, hidden, np.arange(300), 0.0) == pytest.approx(share**2 * total, rel=1e-12)


def test_variance_of_a_share_is_that_of_resampled_donors():
    rng = np.random.default_rng(1)
    who = np.repeat(np.arange(100), 3)
    x, bound = rng.normal(size=100)[who] + 0.5 * rng.normal(size=300), rng.normal(0.8, 1, 300)
    hidden, value = x > bound, np.minimum(x, bound)
    drawn = masses(value, hidden, rng.multinomial(100, np.full(100, 0.01), size=2000)[:, who])
    shares = (drawn.mass * (drawn.value <= 0.0)).sum(axis=1)
    assert share_variance(value, hidden, who, 0.0) == pytest.approx(shares.var(), rel=0.15)
