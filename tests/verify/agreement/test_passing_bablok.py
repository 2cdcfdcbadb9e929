"""Passing-Bablok regression and its linearity test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.agreement import cusum_linearity, passing_bablok
from stanch.verify.agreement.passing_bablok import _concordance, _concordance_loop, concordance_loop

SEN_X, SEN_Y = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]


def sample(seed: int, n: int, decimals: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(10, 100, n)
    return np.round(true + rng.normal(size=n), decimals), np.round(2 + 1.1 * true + rng.normal(size=n), decimals)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.integers(8, 40))
def test_exchanging_the_methods_inverts_the_line(seed: int, n: int) -> None:
    x, y = sample(seed, n)
    one, two = (passing_bablok(*pair, bias_interval="none") for pair in ((x, y), (y, x)))
    if one.slopes % 2:
        assert two.line.b == pytest.approx(1 / one.line.b, rel=1e-12)
    else:
        # Two middle slopes are averaged: the mean of inverses is not the inverse of the mean.
        assert two.line.b >= 1 / one.line.b * (1 - 1e-12)
    assert one.slopes == two.slopes
    low, high = one.line.slope.low, one.line.slope.high
    if low is not None and high is not None and low > 0:
        assert two.line.slope.high == pytest.approx(1 / low, rel=1e-12)
        assert two.line.slope.low == pytest.approx(1 / high, rel=1e-12)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.integers(4, 30), st.integers(-50, 50), st.integers(-50, 50))
def test_shifts_move_the_intercept_only(seed: int, n: int, dx: int, dy: int) -> None:
    x, y = sample(seed, n)
    one = passing_bablok(x, y, bias_interval="none").line
    two = passing_bablok(np.round(x + dx, 1), np.round(y + dy, 1), bias_interval="none").line
    assert two.b == one.b
    assert two.a == pytest.approx(one.a + dy - one.b * dx, abs=1e-9)


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_a_common_factor_changes_no_slope(scale: float) -> None:
    x, y = sample(5, 30)
    one = passing_bablok(x, y).line
    two = passing_bablok(x * scale, y * scale).line
    assert two.b == pytest.approx(one.b, rel=1e-12)
    assert two.slope.low == pytest.approx(one.slope.low, rel=1e-12)
    assert two.a == pytest.approx(one.a * scale, rel=1e-9)
    assert two.bias_at(50.0 * scale).low == pytest.approx((one.bias_at(50.0).low or 0) * scale, rel=1e-6)


def test_order_of_the_samples_does_not_matter() -> None:
    x, y = sample(7, 60)
    order = np.random.default_rng(2).permutation(60)
    one, two = (
        passing_bablok(x, y, bias_interval="influence"),
        passing_bablok(x[order], y[order], bias_interval="influence"),
    )
    assert one.line.slope == two.line.slope
    assert one.line.intercept == two.line.intercept
    assert one.line.covariance == pytest.approx(two.line.covariance)


def test_three_points_have_a_line_and_no_interval() -> None:
    found = passing_bablok([1.0, 2.0, 3.0], [1.0, 2.0, 4.0], bias_interval="none")
    assert found.line.b == 1.5
    assert found.ranks is None
    assert found.line.slope.low is None
    assert "Too few" in found.line.slope.why


def test_outward_ranks_are_never_narrower() -> None:
    x, y = sample(11, 25)
    near, out = (passing_bablok(x, y, rounding=kind, bias_interval="none") for kind in ("nearest", "outward"))
    assert near.ranks is not None
    assert out.ranks is not None
    assert out.ranks[0] <= near.ranks[0]
    assert out.ranks[0] + out.ranks[1] == out.slopes + 1
    gap = 1.959963984540054 * math.sqrt(25 * 24 * 55 / 18)
    assert out.ranks[0] == math.floor((out.slopes - gap) / 2)


def test_intercept_limits_come_from_the_opposite_slope_limits() -> None:
    found = passing_bablok(SEN_X, SEN_Y, level=0.93, bias_interval="none").line
    assert (found.slope.low, found.slope.high) == (pytest.approx(26 / 7), 4.375)
    x, y = np.array(SEN_X, float), np.array(SEN_Y, float)
    assert found.intercept.low == np.median(y - 4.375 * x)
    assert found.intercept.high == pytest.approx(np.median(y - 26 / 7 * x))


def test_upright_pairs_count_and_identical_points_do_not() -> None:
    x, y = [1.0, 1.0, 2.0, 3.0, 3.0, 4.0], [1.0, 2.0, 2.0, 3.0, 3.0, 4.5]
    found = passing_bablok(x, y, bias_interval="none")
    assert found.identical == 1
    assert found.slopes == 14


@pytest.mark.parametrize("y", [[3.0, 2.0, 1.0, 0.0], [4.0, 1.0, 3.0, -9.0]])
def test_methods_that_fall_together_are_refused(y: list[float]) -> None:
    with pytest.raises(InputError, match="slope"):
        passing_bablok([1.0, 2.0, 3.0, 4.0], y)


def test_a_constant_method_is_refused() -> None:
    with pytest.raises(InputError, match="equal values"):
        passing_bablok([1.0, 2.0, 3.0], [5.0, 5.0, 5.0])


def test_bias_intervals_by_bootstrap_and_by_influence_are_of_one_size() -> None:
    x, y = sample(3, 150)
    boot, flu = (passing_bablok(x, y, bias_interval=kind).line.bias_at(60.0) for kind in ("bootstrap", "influence"))
    widths = [b.high - b.low for b in (boot, flu) if b.high is not None and b.low is not None]
    assert widths[1] == pytest.approx(widths[0], rel=0.3)


def test_the_seed_moves_the_bootstrap_alone() -> None:
    x, y = sample(3, 30)
    one, two = passing_bablok(x, y, seed=1).line, passing_bablok(x, y, seed=2).line
    assert one.slope == two.slope
    assert one.bias_at(40.0).value == two.bias_at(40.0).value
    assert one.bias_at(40.0) != two.bias_at(40.0)


def test_agreement_of_each_point_with_the_others() -> None:
    rng = np.random.default_rng(4)
    u, w = rng.integers(0, 6, 30).astype(float), rng.integers(0, 6, 30).astype(float)
    brute = [sum(np.sign((u[i] - u[j]) * (w[i] - w[j])) for j in range(30)) / 29 for i in range(30)]
    assert _concordance(u, w) == pytest.approx(brute)
    runs, tied = np.arange(31), rng.integers(0, 5, 30)
    assert np.array_equal(concordance_loop(tied, runs), _concordance_loop(tied, runs))


def test_cusum_of_a_hand_worked_path() -> None:
    x = np.arange(6.0)
    found = cusum_linearity(x, x + np.array([1.0, 1.0, 1.0, -1.0, -1.0, -1.0]) * 0.1, 0.0, 1.0)
    assert found.path.tolist() == [1.0, 2.0, 3.0, 2.0, 1.0, 0.0]
    assert found.statistic == 3.0 / 2.0
    assert found.p == pytest.approx(0.0222179626165, rel=1e-6)


def test_cusum_scores_balance_unequal_sides_and_skip_points_on_the_line() -> None:
    x = np.arange(5.0)
    found = cusum_linearity(x, x + np.array([0.1, -0.1, -0.1, -0.1, 0.0]), 0.0, 1.0)
    assert (found.above, found.below, found.on) == (1, 3, 1)
    assert found.path == pytest.approx([math.sqrt(3), *(math.sqrt(3) - k / math.sqrt(3) for k in (1, 2, 3)), 0.0])


def test_cusum_finds_a_bend() -> None:
    x = np.linspace(10, 100, 80)
    y = np.round(x + 0.004 * (x - 55) ** 2 + np.random.default_rng(1).normal(size=80), 2)
    line = passing_bablok(x, y, bias_interval="none").line
    assert cusum_linearity(x, y, line.a, line.b).p < 0.001


def test_cusum_of_points_on_one_side_is_refused_and_on_the_line_is_perfect() -> None:
    x = np.arange(4.0)
    with pytest.raises(InputError, match="one side"):
        cusum_linearity(x, x + 1, 0.0, 1.0)
    assert cusum_linearity(x, x, 0.0, 1.0).p == 1.0
    with pytest.raises(InputError, match="slope above 0"):
        cusum_linearity(x, x, 0.0, -1.0)


@pytest.mark.parametrize("decimals", [0, 12])
def test_many_points_are_right_and_quick(decimals: int) -> None:
    import time

    rng = np.random.default_rng(9)
    true = rng.lognormal(4.0, 0.7, 100_000)
    x, y = true * (1 + 0.05 * rng.normal(size=true.size)), 1.2 * true * (1 + 0.05 * rng.normal(size=true.size))
    x, y = np.round(x, decimals), np.round(y, decimals)
    start = time.process_time()
    found = passing_bablok(x, y)
    assert time.process_time() - start < 10
    assert found.line.b == pytest.approx(1.2, abs=0.003)
    # The median halves the slopes: counted another way, by Kendall's statistic of the residuals along x + y, which
    # changes its sign across the slope found.
    from scipy import stats

    around = [stats.kendalltau(x + y, y - found.line.b * side * x).statistic for side in (1 - 1e-9, 1 + 1e-9)]
    assert around[0] >= 0 >= around[1]
    assert found.exact == (decimals == 0)
