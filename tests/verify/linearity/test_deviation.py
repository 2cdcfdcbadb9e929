"""Deviation from linearity: exact cases, invariances, verdicts, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.linearity import allowed_at, deviation_of_means, deviation_of_polynomial, gather, lack_of_fit_of
from stanch.verify.regression import lack_of_fit, polynomial

LEVELS = np.repeat(np.arange(1.0, 7), 3)


def curved(seed: int, sd: float = 0.2) -> np.ndarray:
    return 5 + 10 * LEVELS - 0.3 * (LEVELS - 3.5) ** 2 + np.random.default_rng(seed).normal(0, sd, LEVELS.size)


@pytest.mark.parametrize("order", [2, 3])
@pytest.mark.parametrize("weights", ["equal", "by level", "proportional"])
def test_gathered_fits_are_the_fits_of_all_readings(order: int, weights: str) -> None:
    y = curved(1)
    found = deviation_of_polynomial(LEVELS, y, order=order, weights=weights)
    each = np.repeat(found.levels.mass / found.levels.n, found.levels.n)
    line, curve = polynomial(LEVELS, y, 1, weights=each), polynomial(LEVELS, y, order, weights=each)
    x = found.levels.x
    assert found.deviation == pytest.approx(curve.at(x).value - line.at(x).value, abs=1e-9)
    assert found.line.coefficients == pytest.approx(line.coefficients, rel=1e-10)
    assert found.line.residual_sd == pytest.approx(line.residual_sd, rel=1e-10)
    assert found.orders[-1].fit.se == pytest.approx(curve.se, rel=1e-9)
    assert found.orders[-1].p_top == pytest.approx(curve.p_value(order), rel=1e-6)
    assert [o.order for o in found.orders] == list(range(1, order + 1))


def test_the_interval_of_curve_minus_line_is_that_of_a_linear_combination() -> None:
    y, order = curved(2), 3
    found = deviation_of_polynomial(LEVELS, y, order=order, confidence=0.9)
    wide, narrow = np.vander(LEVELS, order + 1, increasing=True), np.vander(LEVELS, 2, increasing=True)
    at = found.levels.x
    rows = np.vander(at, order + 1, increasing=True) @ np.linalg.pinv(wide) - np.vander(
        at, 2, increasing=True
    ) @ np.linalg.pinv(narrow)
    assert rows @ y == pytest.approx(found.deviation, abs=1e-9)
    se = np.sqrt(np.sum(rows**2, axis=1)) * found.orders[-1].fit.residual_sd
    assert found.high - found.deviation == pytest.approx(1.7613101357748562 * se, rel=1e-7)


def test_the_interval_of_level_means_is_that_of_a_linear_combination() -> None:
    y = curved(3)
    found = deviation_of_means(LEVELS, y, weights="proportional", confidence=0.95)
    w = found.levels.mass
    design = np.column_stack([np.ones(6), found.levels.x])
    hat = design @ np.linalg.inv(design.T @ (w[:, None] * design)) @ design.T * w
    left = np.eye(6) - hat
    assert left @ found.levels.mean == pytest.approx(found.deviation, abs=1e-9)
    variance = found.levels.within / found.levels.df * np.diag(left @ np.diag(1 / w) @ left.T)
    assert found.high - found.deviation == pytest.approx(2.1788128296672284 * np.sqrt(variance), rel=1e-7)


def test_significant_curvature_can_be_met() -> None:
    y = 5 + 10 * LEVELS - 0.02 * LEVELS**2 + np.tile([-0.001, 0, 0.001], 6)
    found = deviation_of_polynomial(LEVELS, y, order=2, percent=2)
    assert found.orders[-1].p_top is not None
    assert found.orders[-1].p_top < 1e-6
    assert found.outcome == "met"


def test_outcomes() -> None:
    y = curved(4)
    largest = np.abs(deviation_of_polynomial(LEVELS, y, order=2).deviation).max()
    assert deviation_of_polynomial(LEVELS, y, order=2, absolute=3 * largest).outcome == "met"
    assert deviation_of_polynomial(LEVELS, y, order=2, absolute=largest).outcome == "undecided"
    assert deviation_of_polynomial(LEVELS, y, order=2, absolute=0.2 * largest).outcome == "not met"
    assert deviation_of_polynomial(LEVELS, y, order=2).outcome == "no limit stated"


def test_the_worst_level_is_the_worst_against_what_is_allowed_there() -> None:
    found = deviation_of_polynomial(LEVELS, curved(5, 0), order=2, percent=5)
    assert found.allowed is not None
    share = np.abs(found.deviation / found.allowed)
    assert found.worst == int(np.argmax(share))
    assert found.share(found.worst).value == pytest.approx(
        100 * found.deviation[found.worst] / found.allowed[found.worst]
    )
    assert found.worst == 0


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 9999),
    factor=st.sampled_from([1e-12, 1.0, 1e12]),
    stretch=st.sampled_from([1e-9, 3.0, 1e9]),
    scheme=st.sampled_from(["polynomial", "means"]),
)
def test_units_and_order_of_rows_do_not_matter(seed: int, factor: float, stretch: float, scheme: str) -> None:
    y = curved(seed)
    shuffled = np.random.default_rng(seed).permutation(y.size)
    call = deviation_of_polynomial if scheme == "polynomial" else deviation_of_means
    one = call(LEVELS, y, absolute=0.5, weights="proportional")
    two = call((stretch * LEVELS)[shuffled], (factor * y)[shuffled], absolute=0.5 * factor, weights="proportional")
    assert two.deviation == pytest.approx(factor * one.deviation, rel=1e-6, abs=1e-9 * factor)
    assert two.high == pytest.approx(factor * one.high, rel=1e-6, abs=1e-9 * factor)
    assert two.outcome == one.outcome


@settings(derandomize=True, deadline=None, max_examples=30)
@given(seed=st.integers(0, 9999), slope=st.floats(-50, 50), shift=st.floats(-50, 50))
def test_adding_a_line_changes_no_deviation(seed: int, slope: float, shift: float) -> None:
    y = curved(seed)
    one, two = deviation_of_polynomial(LEVELS, y), deviation_of_polynomial(LEVELS, y + shift + slope * LEVELS)
    assert two.deviation == pytest.approx(one.deviation, abs=1e-9)
    assert two.low == pytest.approx(one.low, abs=1e-9)


def test_exact_lines_deviate_by_nothing() -> None:
    for call in (deviation_of_polynomial, deviation_of_means):
        found = call(LEVELS, 0.1 + 0.3 * LEVELS, absolute=1e-9)
        assert found.deviation.tolist() == [0] * 6
        assert found.outcome == "met"


def test_constant_results() -> None:
    found = deviation_of_means(LEVELS, np.full(LEVELS.size, 3.3), absolute=0.1)
    assert found.outcome == "met"
    assert found.line.coefficients[1] == 0
    assert lack_of_fit_of(found.levels).f is None  # type: ignore[union-attr]


def test_without_repeats() -> None:
    x = np.arange(1.0, 7)
    means = deviation_of_means(x, [1, 2.1, 2.9, 4, 5.2, 5.9], absolute=10)
    assert not means.judged
    assert means.outcome == "undecided"
    assert means.at(0).low is None
    assert lack_of_fit_of(means.levels) is None
    assert deviation_of_polynomial(x, [1, 2.1, 2.9, 4, 5.2, 5.9], absolute=10).outcome == "met"


def test_lack_of_fit_is_that_of_the_readings() -> None:
    y = curved(6)
    found, direct = lack_of_fit_of(gather(LEVELS, y)), lack_of_fit(LEVELS, y)
    assert found is not None
    assert found.f == pytest.approx(direct.f, rel=1e-9)
    assert found.p == pytest.approx(direct.p, rel=1e-6)


def test_the_order_falls_to_what_the_levels_carry() -> None:
    x = [1.0, 1, 2, 2, 3, 3]
    assert deviation_of_polynomial(x, [1, 1.1, 2, 2.2, 2.9, 3]).orders[-1].order == 2
    with pytest.raises(InputError, match="at least 4 levels"):
        deviation_of_polynomial([1, 2, 3], [1, 2, 3])
    assert deviation_of_means([1, 2, 3], [1, 2, 3.5]).deviation == pytest.approx([1 / 12, -1 / 6, 1 / 12])


def test_unbalanced_and_tied() -> None:
    x = np.array([1, 1, 1, 1, 2, 3, 3, 4, 4, 4.0])
    y = np.array([1, 1, 1, 1, 2, 3, 3, 4, 4, 4.2])
    found = deviation_of_polynomial(x, y, order=2)
    assert found.levels.n.tolist() == [4, 1, 2, 3]
    assert np.isfinite(found.high).all()


def test_allowed() -> None:
    assert allowed_at(np.array([1.0, 100.0]), absolute=2, percent=5) == pytest.approx([2, 5])  # type: ignore[arg-type]
    assert allowed_at(np.array([1.0])) is None
    with pytest.raises(InputError, match="absolute part"):
        allowed_at(np.array([0.0, 1.0]), percent=5)
    with pytest.raises(InputError, match="above zero"):
        allowed_at(np.array([1.0]), absolute=-1)


def test_refusals() -> None:
    with pytest.raises(InputError, match="at least 3"):
        gather([1, 1, 2], [1, 2, 3])
    with pytest.raises(InputError, match="as many"):
        gather([1, 2, 3], [1, 2, 3, 4])
    with pytest.raises(InputError, match="readings without scatter"):
        gather([1, 1, 2, 2, 3], [1, 2, 3, 4, 5], weights="by level")
    with pytest.raises(InputError, match="means above zero"):
        gather([1, 2, 3], [0, 2, 3], weights="proportional")
    with pytest.raises(InputError, match="2 or 3"):
        deviation_of_polynomial(LEVELS, curved(1), order=4)
    with pytest.raises(InputError, match="confidence"):
        deviation_of_polynomial(LEVELS, curved(1), confidence=1)


def test_a_million_readings_at_a_million_levels() -> None:
    rng = np.random.default_rng(9)
    x = rng.uniform(0, 10, 1_000_000)
    found = deviation_of_polynomial(x, 3 + 2 * x - 0.01 * x**2 + rng.normal(size=x.size), order=2, absolute=0.5)
    # -0.01 (x^2 - 10 x + 100/6) is what a square leaves over the line under uniform levels.
    due = -0.01 * (found.levels.x**2 - 10 * found.levels.x + 100 / 6)
    assert np.abs(found.deviation - due).max() < 0.01
    assert found.outcome == "met"
    assert math.isfinite(found.line.residual_sd)
