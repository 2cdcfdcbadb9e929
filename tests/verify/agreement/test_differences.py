"""Limits of agreement in their four forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.agreement import (
    difference_bounds,
    limits_by_level,
    limits_from_ranks,
    limits_of_agreement,
    limits_with_repeats,
)


def sample(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.uniform(50, 200, n)
    return x, x + 2 + 5 * rng.normal(size=n)


@pytest.mark.parametrize("kind", ["exact", "1986", "1999"])
@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_units_and_direction(kind: str, scale: float) -> None:
    x, y = sample(1, 20)
    one = limits_of_agreement(x, y, interval=kind)  # type: ignore[arg-type]
    two = limits_of_agreement(y * scale, x * scale, interval=kind)  # type: ignore[arg-type]
    assert two.bias.value == pytest.approx(-(one.bias.value or 0) * scale)
    for mine, theirs in ((two.lower, one.upper), (two.upper, one.lower)):
        assert theirs.value is not None
        assert mine.value == pytest.approx(-theirs.value * scale)
        assert mine.low == pytest.approx(-(theirs.high or 0) * scale)
        assert mine.high == pytest.approx(-(theirs.low or 0) * scale)


def test_approximations_by_hand() -> None:
    d = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    zero = np.zeros(5)
    t, s = 2.7764451051977987, math.sqrt(2.5)
    old = limits_of_agreement(zero, d, multiplier=2.0, interval="1986").upper
    new = limits_of_agreement(zero, d, multiplier=2.0, interval="1999").upper
    assert old.value == pytest.approx(3 + 2 * s)
    assert old.high == pytest.approx(3 + 2 * s + t * s * math.sqrt(3 / 5))
    assert new.high == pytest.approx(3 + 2 * s + t * s * math.sqrt(1 / 5 + 4 / 8))


def test_all_three_intervals_meet_on_many_samples() -> None:
    x, y = sample(2, 20_000)
    found = [limits_of_agreement(x, y, interval=kind).upper for kind in ("exact", "1999", "1986")]  # type: ignore[arg-type]
    width = (found[0].high or 0) - (found[0].low or 0)
    for other in found[1:]:
        assert other.high == pytest.approx(found[0].high, abs=0.03 * width)
        assert other.low == pytest.approx(found[0].low, abs=0.03 * width)


def test_a_million_samples() -> None:
    x, y = sample(3, 1_000_000)
    found = limits_of_agreement(x, y)
    assert found.upper.value == pytest.approx(2 + 1.96 * 5, abs=0.05)
    assert (found.upper.high or 0) - (found.upper.low or 0) == pytest.approx(
        2 * 1.96 * 5 * math.sqrt((1 + 1.96**2 / 2) / 1e6), rel=0.01
    )


def test_equal_differences_have_no_width() -> None:
    found = limits_of_agreement([1.0, 2.0, 4.0], [1.5, 2.5, 4.5])
    assert found.bias.value == found.upper.value == found.lower.low == 0.5


def test_percent_and_ratio_are_free_of_the_unit() -> None:
    x, y = sample(4, 30)
    for scale in ("percent", "ratio"):
        one = limits_of_agreement(x, y, scale=scale)  # type: ignore[arg-type]
        two = limits_of_agreement(1000 * x, 1000 * y, scale=scale)  # type: ignore[arg-type]
        assert two.upper.value == pytest.approx(one.upper.value)
        assert two.lower.low == pytest.approx(one.lower.low)
    ratio, log = limits_of_agreement(x, y, scale="ratio"), limits_of_agreement(np.log(x), np.log(y))
    assert ratio.upper.high == pytest.approx(math.exp(log.upper.high or 0))
    assert ratio.bias.unit == "1"
    assert limits_of_agreement(x, y, scale="percent").sd.unit == "%"


def test_what_a_scale_cannot_hold_is_refused() -> None:
    with pytest.raises(InputError, match="scale difference"):
        limits_of_agreement([1.0, 2.0, 3.0], [1.0, -2.0, 3.0], scale="ratio")
    with pytest.raises(InputError, match="pair 2"):
        limits_of_agreement([1.0, 2.0, 3.0], [1.0, -2.0, 3.0], scale="percent")
    with pytest.raises(InputError, match="multiplier"):
        limits_of_agreement([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], multiplier=0.0)
    with pytest.raises(InputError, match="at least 3"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0])


# Repeated readings


def test_constant_truth_by_hand() -> None:
    # Subjects a, b, c; x read 2, 1, 2 times, y read 1, 2, 1 times.
    s_x, x = ["a", "a", "b", "c", "c"], [10.0, 12.0, 20.0, 29.0, 31.0]
    s_y, y = ["a", "b", "b", "c"], [12.0, 20.0, 24.0, 33.0]
    found = limits_with_repeats(s_x, x, s_y, y, multiplier=2.0)
    assert found.differences.tolist() == [1.0, 2.0, 3.0]
    assert found.variance_of_means == 1.0
    assert found.within_x == pytest.approx((2 + 2) / 2)
    assert found.within_y == pytest.approx(8.0)
    total = 1.0 + (1 - (0.5 + 1 + 0.5) / 3) * 2.0 + (1 - (1 + 0.5 + 1) / 3) * 8.0
    assert found.limits.sd.value == pytest.approx(math.sqrt(total))
    assert found.limits.upper.value == pytest.approx(2 + 2 * math.sqrt(total))
    assert found.naive_sd == 1.0


def test_varying_truth_by_hand() -> None:
    s = ["a", "a", "b", "b", "c", "c"]
    d = np.array([1.0, 3.0, 5.0, 7.0, 9.0, 11.0])
    x = np.array([5.0, 6.0, 7.0, 8.0, 9.0, 10.0])
    found = limits_with_repeats(s, x, s, x + d, truth="varying")
    # Means 2, 6, 10: between mean square 2 x 16 = 32, within 2.
    assert found.within == pytest.approx(2.0)
    assert found.between_raw == pytest.approx(15.0)
    assert found.limits.sd.value == pytest.approx(math.sqrt(17.0))
    assert found.limits.bias.value == pytest.approx(6.0)


def test_a_negative_variance_between_is_shown_and_counts_as_zero() -> None:
    s = np.repeat(["a", "b", "c"], 2)
    d = np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0])
    found = limits_with_repeats(s, np.arange(6.0), s, np.arange(6.0) + d, truth="varying")
    assert found.between_raw == pytest.approx(-1.0)
    assert found.limits.sd.value == pytest.approx(math.sqrt(2.0))


def test_one_reading_each_is_not_repeated() -> None:
    s = ["a", "b", "c", "d"]
    for truth in ("constant", "varying"):
        with pytest.raises(InputError, match="repeats none"):
            limits_with_repeats(s, [1.0, 2, 3, 4], s, [1.0, 2, 3, 5], truth=truth)  # type: ignore[arg-type]


def test_subjects_of_one_method_only_are_left_out() -> None:
    s_x, s_y = ["a", "a", "b", "c", "z"], ["a", "b", "c", "c", "y"]
    found = limits_with_repeats(s_x, [1.0, 2, 3, 4, 99], s_y, [1.0, 2, 3, 4, -99])
    assert found.limits.n == 3
    assert found.readings == (4, 4)
    with pytest.raises(InputError, match="at least 3"):
        limits_with_repeats(["a", "a", "b"], [1.0, 2, 3], ["a", "b", "b"], [1.0, 2, 3])


def test_repeated_readings_widen_the_naive_limits() -> None:
    rng = np.random.default_rng(6)
    s = np.repeat(np.arange(40), 3)
    true = rng.uniform(10, 100, 40)[s]
    found = limits_with_repeats(s, true + 3 * rng.normal(size=120), s, true + 4 * rng.normal(size=120))
    assert found.naive_sd == pytest.approx(5 / math.sqrt(3), rel=0.25)
    assert found.limits.sd.value == pytest.approx(5.0, rel=0.2)


# Ranks


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 10**6), st.integers(3, 200))
def test_quantiles_are_those_of_rank_p_times_n_plus_one(seed: int, n: int) -> None:
    d = np.random.default_rng(seed).normal(size=n)
    found = limits_from_ranks(d)
    for bounded, p in ((found.lower, 0.025), (found.median, 0.5), (found.upper, 0.975)):
        assert bounded.value == pytest.approx(float(np.quantile(d, p, method="weibull")))
        if n < 39 and p != 0.5:
            assert "too few" in bounded.why


def test_interval_ranks_leave_no_more_than_the_tail() -> None:
    from scipy import stats

    n, p = 400, 0.025
    d = np.arange(1.0, n + 1)
    lower = limits_from_ranks(d).lower
    assert lower.low is not None
    assert lower.high is not None
    first, last = int(lower.low), int(lower.high)
    # P(rank above the quantile) and P(below): binomial counts of values under it.
    assert stats.binom.cdf(first - 1, n, p) <= 0.025 < stats.binom.cdf(first, n, p)
    assert stats.binom.sf(last - 1, n, p) <= 0.025 < stats.binom.sf(last - 2, n, p)


def test_bounds_that_cannot_matter_are_kept_and_others_open_the_limit() -> None:
    x = np.zeros(199)
    y = np.arange(1.0, 200.0)
    flags = np.zeros(199, dtype=bool)
    flags[-2:] = True
    low, high = difference_bounds(x, y, y_above=flags)
    whole, found = limits_from_ranks(y), limits_from_ranks(low, high)
    assert found.bounds == 2
    assert found.median == whole.median
    assert found.lower == whole.lower
    assert found.upper.value == whole.upper.value == 195.0
    assert found.upper.high is None
    flags[-6:] = True
    low, high = difference_bounds(x, y, y_above=flags)
    opened = limits_from_ranks(low, high)
    assert opened.upper.value is None
    assert "open" in opened.upper.why


def test_which_side_a_bound_opens() -> None:
    yes = np.array([True])
    for name, side in (("x_below", 1), ("x_above", 0), ("y_below", 0), ("y_above", 1)):
        bounds = difference_bounds([1.0], [3.0], **{name: yes})  # type: ignore[arg-type]
        assert math.isinf(bounds[side][0])
        assert bounds[1 - side][0] == 2.0


# By level


def test_limits_by_level_follow_bias_and_scatter() -> None:
    rng = np.random.default_rng(7)
    true = rng.uniform(50, 500, 4000)
    y, x = true * 1.02 + 0.03 * true * rng.normal(size=4000), true * 0.98
    found = limits_by_level(x, y, draws=200)
    for level in (100.0, 400.0):
        here = found.at(level)
        assert here.bias.value == pytest.approx(0.04 * level, abs=0.004 * level + 0.5)
        assert here.sd.value == pytest.approx(0.03 * level, rel=0.1)
        assert here.upper.value == pytest.approx((here.bias.value or 0) + 1.96 * (here.sd.value or 0))
        assert (here.upper.low or 0) < (here.upper.value or 0) < (here.upper.high or 0)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_limits_by_level_are_free_of_the_unit(scale: float) -> None:
    x, y = sample(8, 30)
    one, two = (
        limits_by_level(x, y, draws=150).at(100.0),
        limits_by_level(x * scale, y * scale, draws=150).at(100.0 * scale),
    )
    assert two.upper.high == pytest.approx((one.upper.high or 0) * scale, rel=1e-6)


def test_levels_where_the_scatter_would_be_negative_are_refused() -> None:
    x = np.linspace(10, 100, 40)
    y = x + np.where(np.arange(40) % 2, 1, -1) * (x - 8) * 0.1
    with pytest.raises(InputError, match="below zero"):
        limits_by_level(x, y, draws=100).at(-500.0)


def test_an_upper_limit_at_a_high_level_is_not_claimed_too_low() -> None:
    # Proportional scatter of 5 %: at 100 the true upper limit is 9.8; percentiles of the draws lay below it in 11 %.
    rng = np.random.default_rng(5)
    low = 0
    for seed in range(300):
        middle = rng.uniform(20, 120, 40)
        d = middle * rng.normal(0, 0.05, 40)
        found = limits_by_level(middle - d / 2, middle + d / 2, draws=200, seed=seed).at(100.0).upper
        low += found.high is not None and found.high < 9.8
    # 2.5 % are meant; 19 of 300 would be rarer than 1 in 10 000 at 2.5 %, 33 are what percentiles gave.
    assert low <= 18


def test_a_level_where_the_scatter_is_hardly_known_has_no_upper_end() -> None:
    middle = np.linspace(20, 120, 12)
    d = np.tile([1.0, -1.0, 1.3, -0.8], 3) * (middle - 10) / 20
    found = limits_by_level(middle - d / 2, middle + d / 2, draws=300)
    zero = -found.spread.a / found.spread.b
    assert 0 < zero < 20
    near = found.at(zero * (1 + 1e-9))
    assert near.sd.high is None
    assert near.upper.high is None
    assert near.upper.why
