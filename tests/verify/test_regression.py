"""Least squares: exact cases, invariances, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.regression import lack_of_fit, nonlinear, polynomial, straight_line


def sample(seed: int, n: int = 12) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(1, 5, n), rng.normal(size=n), rng.uniform(0.2, 4, n)


def test_an_exact_polynomial_is_met_exactly() -> None:
    x = np.array([0.0, 1, 2, 3, 4, 5])
    fit = polynomial(x, 2 - 3 * x + 0.5 * x**2, 2)
    assert fit.coefficients == pytest.approx([2, -3, 0.5], rel=1e-13)
    assert fit.rss == 0
    assert fit.r_squared == 1
    assert fit.p_value(2) is None


def test_a_straight_line_has_no_curvature_at_all() -> None:
    x = np.array([0.1, 0.2, 0.3, 0.7, 0.9])
    assert polynomial(x, 3 * x + 1, 3).coefficients[2:].tolist() == [0, 0]


def test_a_line_by_hand() -> None:
    fit = straight_line([1, 2, 3, 4], [1, 3, 2, 4])
    assert fit.coefficients == pytest.approx([0.5, 0.8], rel=1e-14)
    assert fit.rss == pytest.approx(1.8, rel=1e-14)
    assert fit.se[1] == pytest.approx(math.sqrt(0.9 / 5), rel=1e-14)
    slope = fit.coefficient(1)
    assert slope.high == pytest.approx(0.8 + 4.302652729911275 * math.sqrt(0.18), rel=1e-9)
    at = fit.at(2.5)
    assert at.value[0] == pytest.approx(2.5)
    assert at.se[0] == pytest.approx(math.sqrt(0.9 / 4))
    assert fit.at(2.5, reading=True).se[0] == pytest.approx(math.sqrt(0.9 * 1.25))
    assert fit.at(2.5, reading=True, of=9).se[0] == pytest.approx(math.sqrt(0.9 / 4 + 0.1))


def test_lack_of_fit_by_hand() -> None:
    found = lack_of_fit([1, 1, 2, 2, 3, 3], [0, 2, 4, 6, 2, 4])
    # Means 1, 5, 3; line 3 + (x - 2): lack of fit 2 (1 + 4 + 1) = 12, pure error 6 on 3.
    assert found.ss_fit == pytest.approx(12)
    assert found.ss_error == pytest.approx(6)
    assert (found.df_fit, found.df_error) == (1, 3)
    assert found.f == pytest.approx(6)
    assert found.error_sd == pytest.approx(math.sqrt(2))


def test_known_variances_are_not_scaled() -> None:
    x, y, _ = sample(1)
    fit = polynomial(x, y, 1, weights=np.full(x.size, 4.0), known=True)
    assert fit.covariance[1, 1] == pytest.approx(0.25 / np.sum((x - x.mean()) ** 2))
    assert math.isinf(fit.df)
    assert fit.coefficient(1).high == pytest.approx(fit.coefficients[1] + 1.959963984540054 * fit.se[1])


def test_without_intercept() -> None:
    x, y, w = sample(2)
    fit = polynomial(x, y, 1, weights=w, intercept=False)
    assert fit.coefficients == pytest.approx([0, np.sum(w * x * y) / np.sum(w * x * x)], rel=1e-12)
    assert fit.df == x.size - 1


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    scale=st.sampled_from([1e-12, 1e-3, 1.0, 1e12]),
    move=st.floats(-100, 100),
    order=st.integers(1, 3),
)
def test_units_do_not_matter(seed: int, scale: float, move: float, order: int) -> None:
    x, y, w = sample(seed)
    one = polynomial(x, y, order, weights=w)
    two = polynomial(scale * (x + move), scale * y, order, weights=10 * w)
    at = np.linspace(1, 5, 7)
    assert two.at(scale * (at + move)).value == pytest.approx(scale * one.at(at).value, rel=1e-7, abs=1e-9 * scale)
    assert two.at(scale * (at + move)).se == pytest.approx(scale * one.at(at).se, rel=1e-7)
    p, q = one.p_value(order), two.p_value(order)
    assert p is not None
    assert q == pytest.approx(p, rel=1e-5)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000))
def test_order_of_rows_does_not_matter_and_a_weight_of_two_is_a_row_twice(seed: int) -> None:
    x, y, _ = sample(seed)
    shuffled = np.random.default_rng(seed).permutation(x.size)
    one = polynomial(x, y, 2)
    assert polynomial(x[shuffled], y[shuffled], 2).coefficients == pytest.approx(one.coefficients, rel=1e-9)
    weights = np.ones(x.size)
    weights[0] = 2
    weighted = polynomial(x, y, 2, weights=weights)
    doubled = polynomial(np.append(x, x[0]), np.append(y, y[0]), 2)
    assert weighted.coefficients == pytest.approx(doubled.coefficients, rel=1e-9)
    assert weighted.rss == pytest.approx(doubled.rss, rel=1e-9)


def test_constant_results_have_no_slope_and_no_scatter() -> None:
    fit = straight_line([1, 2, 3], [7.3, 7.3, 7.3])
    assert fit.coefficients.tolist() == pytest.approx([7.3, 0])
    assert fit.coefficients[1] == 0
    assert fit.residual_sd == 0
    assert fit.r_squared is None


@pytest.mark.parametrize(
    ("x", "y", "order", "weights", "words"),
    [
        ([1, 2], [1, 2], 1, None, "at least 3"),
        ([1, 1, 1], [1, 2, 3], 1, None, "1 different"),
        ([1, 2, 3], [1, 2], 1, None, "as many"),
        ([1, 2, 3], [1, 2, math.nan], 1, None, "finite"),
        ([1, 2, 3], [1, 2, 3], 0, None, "1 to 10"),
        ([1, 2, 3], [1, 2, 3], 1, [1, 0, 1], "above zero"),
        ([1, 2, 3], [1, 2, 3], 1, [1, 1], "3 values"),
    ],
)
def test_what_cannot_be_fitted_is_refused(
    x: list[float], y: list[float], order: int, weights: list[float] | None, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        polynomial(x, y, order, weights=weights)


def test_lack_of_fit_needs_repeats_and_levels() -> None:
    with pytest.raises(InputError, match="repeated readings"):
        lack_of_fit([1, 2, 3, 4], [1, 2, 3, 5])
    with pytest.raises(InputError, match="levels"):
        lack_of_fit([1, 1, 2, 2], [1, 2, 3, 5])
    assert lack_of_fit([1, 1, 2, 2, 3, 3], [1, 1, 2, 2, 4, 4]).f is None


def test_a_million_rows() -> None:
    rng = np.random.default_rng(3)
    x = rng.uniform(0, 10, 1_000_000)
    fit = polynomial(x, 1 + 2 * x - 0.1 * x**2 + rng.normal(size=x.size), 2)
    assert np.abs((fit.coefficients - [1, 2, -0.1]) / fit.se).max() < 4
    assert fit.residual_sd == pytest.approx(1, abs=0.005)


def saturation(x: np.ndarray, top: float, half: float) -> np.ndarray:
    return top * x / (half + x)


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_a_model_is_met_at_any_scale(scale: float) -> None:
    x = np.array([0.5, 1, 2, 4, 8, 16]) * scale
    fit = nonlinear(saturation, x, saturation(x, 3 * scale, 2 * scale), [2 * scale, scale])
    assert fit.parameters == pytest.approx([3 * scale, 2 * scale], rel=1e-9)


def test_bounds_hold() -> None:
    x = np.array([0.5, 1, 2, 4, 8, 16])
    fit = nonlinear(saturation, x, saturation(x, 3, 2), [2, 0.5], lower=[0, 0], upper=[10, 1])
    assert fit.parameters[1] == pytest.approx(1, abs=1e-6)


def test_nonlinear_refusals() -> None:
    x = np.array([1.0, 2, 3, 4])
    with pytest.raises(InputError, match="model is finite"):
        nonlinear(lambda x, a: np.log(a) * x, x, x, [-1.0])
    with pytest.raises(InputError, match="do not determine"):
        nonlinear(lambda x, a, b: (a + b) * x, x, x + 0.1, [1.0, 2.0])
    with pytest.raises(InputError, match="at least 3"):
        nonlinear(saturation, [1, 2], [1, 2], [1, 1])
