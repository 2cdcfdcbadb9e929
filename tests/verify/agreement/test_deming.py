"""Deming and weighted Deming regression."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.agreement import deming, ordinary_line, ratio_from_duplicates, weighted_deming
from stanch.verify.agreement import weighted_deming as public
from stanch.verify.agreement.weighted_deming import BLOCKS, SINGLY


def sample(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(20, 200, n)
    return true + 4 * rng.normal(size=n), 3 + 1.2 * true + 5 * rng.normal(size=n)


def test_the_direction_of_the_error_ratio() -> None:
    x, y = sample(1, 50)
    plain = ordinary_line(x, y).b
    inverse = 1 / ordinary_line(y, x).b
    # x errors vanish: the ordinary line; y errors vanish: the ordinary line of x on y.
    assert deming(x, y, error_ratio=1e-9).b == pytest.approx(plain, rel=1e-6)
    assert deming(x, y, error_ratio=1e9).b == pytest.approx(inverse, rel=1e-6)
    assert plain < deming(x, y, error_ratio=1.0).b < inverse


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.floats(0.05, 20.0))
def test_exchanging_the_methods_inverts_line_and_ratio(seed: int, ratio: float) -> None:
    x, y = sample(seed, 25)
    one, two = deming(x, y, error_ratio=ratio), deming(y, x, error_ratio=1 / ratio)
    assert two.b == pytest.approx(1 / one.b, rel=1e-10)
    assert two.a == pytest.approx(-one.a / one.b, rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("kind", ["jackknife", "analytic", "bootstrap"])
@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_a_change_of_unit_changes_the_unit_only(kind: str, scale: float) -> None:
    x, y = sample(2, 30)
    one = deming(x, y, error_ratio=2.0, interval=kind, draws=200)  # type: ignore[arg-type]
    two = deming(x * scale, y, error_ratio=2.0 * scale**2, interval=kind, draws=200)  # type: ignore[arg-type]
    assert two.b * scale == pytest.approx(one.b, rel=1e-9)
    assert two.a == pytest.approx(one.a, rel=1e-7)
    assert (two.se_slope or 0) * scale == pytest.approx(one.se_slope, rel=1e-7)
    assert two.se_intercept == pytest.approx(one.se_intercept, rel=1e-7)
    assert two.bias_at(0.0).low == pytest.approx(one.bias_at(0.0).low, rel=1e-6)


def test_a_shift_moves_the_intercept_only() -> None:
    x, y = sample(3, 20)
    one, two = deming(x, y), deming(x + 1000.0, y - 500.0)
    assert two.b == pytest.approx(one.b, rel=1e-11)
    assert two.a == pytest.approx(one.a - 500 - 1000 * one.b, rel=1e-10)
    assert two.se_slope == pytest.approx(one.se_slope, rel=1e-9)


def test_the_jackknife_is_the_jackknife() -> None:
    x, y = sample(4, 15)
    whole = deming(x, y, error_ratio=0.5)
    left = [deming(np.delete(x, k), np.delete(y, k), error_ratio=0.5) for k in range(15)]
    each = np.array([[line.a, line.b] for line in left])
    gap = each - each.mean(axis=0)
    assert whole.covariance == pytest.approx(14 / 15 * gap.T @ gap, rel=1e-9)


def test_jackknife_analytic_and_bootstrap_agree_on_many_samples() -> None:
    x, y = sample(5, 2000)
    kinds = [deming(x, y, error_ratio=16 / 25, interval=k, draws=400) for k in ("jackknife", "analytic", "bootstrap")]
    assert [k.se_slope for k in kinds] == pytest.approx([kinds[0].se_slope] * 3, rel=0.12)
    assert [k.se_intercept for k in kinds] == pytest.approx([kinds[0].se_intercept] * 3, rel=0.12)
    assert kinds[0].b == kinds[1].b == kinds[2].b


def test_points_on_a_line_have_no_uncertainty() -> None:
    x = np.arange(1.0, 8.0)
    for kind in ("jackknife", "analytic"):
        line = deming(x, 1 + 2 * x, interval=kind)  # type: ignore[arg-type]
        assert (line.a, line.b) == (pytest.approx(1, abs=1e-12), pytest.approx(2, abs=1e-12))
        assert line.se_slope == pytest.approx(0.0, abs=1e-7)


def test_bias_at_a_level_carries_the_covariance() -> None:
    x, y = sample(6, 40)
    line = deming(x, y)
    moved = deming(x - 100.0, y - 100.0)
    bias = line.bias_at(100.0)
    assert bias.value == pytest.approx(moved.a)
    assert bias.low == pytest.approx(moved.intercept.low)
    assert bias.high == pytest.approx(moved.intercept.high)


def test_what_cannot_be_fitted_is_refused() -> None:
    with pytest.raises(InputError, match="equal values"):
        deming([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])
    with pytest.raises(InputError, match="equal values"):
        deming([1.0, 2.0, 3.0], [1.0, 1.0, 1.0])
    with pytest.raises(InputError, match="covariance"):
        deming([-1.0, 1.0, -1.0, 1.0], [-1.0, -1.0, 1.0, 1.0])
    with pytest.raises(InputError, match="at least 3"):
        deming([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(InputError, match="error ratio"):
        deming([1.0, 2.0, 3.0], [1.0, 2.0, 4.0], error_ratio=0.0)
    with pytest.raises(InputError, match="as many"):
        deming([1.0, 2.0, 3.0], [1.0, 2.0, 3.0, 4.0])
    with pytest.raises(InputError, match="not finite"):
        deming([1.0, 2.0, float("nan")], [1.0, 2.0, 3.0])
    with pytest.raises(InputError, match="larger unit"):
        deming([1e200, 2e200, 3e200], [1.0, 2.0, 4.0])


def test_three_samples_give_a_wide_interval() -> None:
    line = deming([1.0, 2.0, 3.0], [1.1, 1.9, 3.2])
    assert line.df == 1.0
    assert line.slope.low is not None
    assert line.slope.high is not None
    assert line.slope.high - line.slope.low > 1.0


def test_ratio_from_duplicates_by_hand() -> None:
    assert ratio_from_duplicates([10, 20], [14, 24], [10, 30], [12, 32]) == 4.0
    # Relative: (2/11)^2 for x, (2/11)^2 and 0 for y.
    assert ratio_from_duplicates([10, 10], [12, 12], [10, 5], [12, 5], proportional=True) == pytest.approx(2.0)
    with pytest.raises(InputError, match="no difference"):
        ratio_from_duplicates([1, 2], [1, 2], [1, 2], [2, 3])
    with pytest.raises(InputError, match="above zero"):
        ratio_from_duplicates([-1, 2], [1, 2.5], [1, 2], [2, 3], proportional=True)


def proportional(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = np.exp(rng.uniform(3, 6, n))
    return true * (1 + 0.06 * rng.normal(size=n)), (4 + 1.1 * true) * (1 + 0.06 * rng.normal(size=n))


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_weighted_deming_at_rest_is_a_fixed_point_at_any_scale(scale: float) -> None:
    x, y = proportional(1, 40)
    found = weighted_deming(x * scale, y * scale, error_ratio=2.0)
    line = found.line
    a, b = line.a, line.b
    inverse = 0.5
    true_x = x * scale + b * (y * scale - a - b * x * scale) / (inverse + b * b)
    weights = 1 / ((true_x + a + b * true_x) / 2) ** 2
    mean_x, mean_y = (np.average(v * scale, weights=weights) for v in (x, y))
    u, v = x * scale - mean_x, y * scale - mean_y
    gap = weights @ v**2 - inverse * (weights @ u**2)
    cross = float(weights @ (u * v))
    again = (gap + math.sqrt(gap**2 + 4 * inverse * cross**2)) / (2 * cross)
    assert b == pytest.approx(float(again), rel=1e-10)
    assert a == pytest.approx(float(mean_y - again * mean_x), rel=1e-8)
    assert found.iterations > 2
    assert found.weights.max() == 1.0


def test_weighted_deming_exchanged_inverts() -> None:
    x, y = proportional(2, 30)
    one, two = weighted_deming(x, y, error_ratio=3.0).line, weighted_deming(y, x, error_ratio=1 / 3).line
    assert two.b == pytest.approx(1 / one.b, rel=1e-9)
    assert two.a == pytest.approx(-one.a / one.b, rel=1e-8)


def test_relative_scatter_is_the_coefficient_of_variation() -> None:
    rng = np.random.default_rng(8)
    true = np.exp(rng.uniform(3, 6, 4000))
    x, y = true * (1 + 0.10 * rng.normal(size=4000)), true * (1 + 0.05 * rng.normal(size=4000))
    assert weighted_deming(x, y, error_ratio=4.0).relative_scatter == pytest.approx(0.05, rel=0.05)


def test_blocks_replace_single_points_when_there_are_many() -> None:
    x, y = proportional(3, SINGLY + 500)
    blocks = public(x, y).line
    assert blocks.df == BLOCKS - 1
    assert "blocks" in blocks.interval
    boot = public(x, y, interval="bootstrap", draws=150).line
    assert blocks.se_slope == pytest.approx(boot.se_slope, rel=0.25)


def test_levels_at_or_below_zero_need_a_floor() -> None:
    x, y = np.array([-1.0, 0.5, 4.0, 9.0, 16.0]), np.array([-1.2, 0.4, 4.2, 9.5, 15.0])
    with pytest.raises(InputError, match="weight-floor"):
        weighted_deming(x, y)
    assert weighted_deming(x, y, floor=2.0).line.b == pytest.approx(1.0, abs=0.1)
    with pytest.raises(InputError, match="weight floor"):
        weighted_deming(x, y, floor=-1.0)


def test_a_floor_above_every_level_is_plain_deming() -> None:
    x, y = proportional(4, 25)
    assert weighted_deming(x, y, floor=1e9).line.b == pytest.approx(deming(x, y).b, rel=1e-12)


def test_a_million_samples_are_not_refused() -> None:
    x, y = proportional(5, 1_000_000)
    line = deming(x, y, interval="jackknife")
    assert line.b == pytest.approx(1.1, abs=0.01)
    assert line.se_slope is not None
    assert line.se_slope > 0
