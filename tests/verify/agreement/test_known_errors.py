"""Lines with errors known point by point."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.agreement import deming, known_errors


def sample(seed: int, n: int = 15) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(20, 200, n)
    u, v = rng.uniform(1, 6, n), rng.uniform(1, 6, n)
    return true + u * rng.normal(size=n), 3 + 1.2 * true + v * rng.normal(size=n), u, v


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.floats(0.1, 10.0))
def test_equal_errors_are_deming_regression(seed: int, share: float) -> None:
    x, y, _, _ = sample(seed)
    line = known_errors(x, y, share, 1.0).line
    other = deming(x, y, error_ratio=share**2)
    assert line.b == pytest.approx(other.b, rel=1e-10)
    assert line.a == pytest.approx(other.a, rel=1e-7, abs=1e-7)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 10**6), st.floats(-0.9, 0.9))
def test_exchanging_the_methods_inverts_the_line_and_keeps_chi_square(seed: int, r: float) -> None:
    x, y, u, v = sample(seed)
    one, two = known_errors(x, y, u, v, correlation=r), known_errors(y, x, v, u, correlation=r)
    assert two.line.b == pytest.approx(1 / one.line.b, rel=1e-9)
    assert two.chi2 == pytest.approx(one.chi2, rel=1e-9)
    assert two.adjusted_x == pytest.approx(one.adjusted_y, rel=1e-7)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_units(scale: float) -> None:
    x, y, u, v = sample(3)
    one, two = known_errors(x, y, u, v), known_errors(x * scale, y, u * scale, v)
    assert two.line.b * scale == pytest.approx(one.line.b, rel=1e-10)
    assert two.line.a == pytest.approx(one.line.a, rel=1e-8)
    assert two.line.se_intercept == pytest.approx(one.line.se_intercept, rel=1e-8)


def test_errors_in_y_alone_are_weighted_least_squares() -> None:
    x, y, _, v = sample(4)
    found = known_errors(x, y, 0.0, v)
    design = np.column_stack([np.ones_like(x), x]) / v[:, None]
    covariance = np.linalg.inv(design.T @ design)
    best = covariance @ design.T @ (y / v)
    assert (found.line.a, found.line.b) == (pytest.approx(best[0]), pytest.approx(best[1]))
    assert found.line.covariance == pytest.approx(covariance, rel=1e-9)


def test_uncertainties_are_not_stretched_by_chi_square() -> None:
    x, y, u, v = sample(5)
    far = y + np.where(np.arange(y.size) % 2, 30.0, -30.0)
    bad = known_errors(x, far, u, v)
    assert bad.p < 1e-6
    assert bad.line.se_slope == pytest.approx(known_errors(x, y, u, v).line.se_slope, rel=0.2)
    larger = known_errors(x, y, 2 * u, 2 * v)
    assert larger.line.se_slope == pytest.approx(2 * (known_errors(x, y, u, v).line.se_slope or 0), rel=0.02)


def test_errors_along_the_line_do_not_move_a_point_off_it() -> None:
    # With correlation near 1 and u_y = b u_x every point may slide along the line freely.
    x = np.array([1.0, 2.0, 3.0, 4.0])
    found = known_errors(x, 2 * x, 1.0, 2.0, correlation=0.99)
    assert found.line.b == pytest.approx(2.0)
    assert found.chi2 == pytest.approx(0.0, abs=1e-12)


def test_what_cannot_be_meant_is_refused() -> None:
    x, y, u, v = sample(6)
    with pytest.raises(InputError, match="0 or more"):
        known_errors(x, y, -u, v)
    with pytest.raises(InputError, match="both zero"):
        known_errors(x, y, 0.0, 0.0)
    with pytest.raises(InputError, match="inside"):
        known_errors(x, y, u, v, correlation=1.0)
    with pytest.raises(InputError, match="as many as pairs"):
        known_errors(x, y, u[:3], v)
