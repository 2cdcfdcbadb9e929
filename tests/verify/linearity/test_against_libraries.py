"""Regression and linearity against statsmodels, NumPy and SciPy on random data."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from stanch.verify.linearity import deviation_of_polynomial, gather, lack_of_fit_of
from stanch.verify.regression import lack_of_fit, nonlinear, polynomial

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import statsmodels.api as sm

SEEDS = st.integers(0, 100_000)
RANDOM = settings(derandomize=True, deadline=None, max_examples=25)


def readings(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    levels = np.sort(rng.uniform(0, 20, rng.integers(5, 9)))
    x = np.repeat(levels, rng.integers(2, 5, levels.size))
    return x, 3 + 2 * x + 0.05 * x**2 + rng.normal(0, 1, x.size), rng.uniform(0.2, 3, x.size)


@RANDOM
@given(seed=SEEDS, order=st.integers(1, 3))
def test_weighted_polynomials_against_statsmodels(seed: int, order: int) -> None:
    x, y, w = readings(seed)
    ours = polynomial(x, y, order, weights=w)
    theirs = sm.WLS(y, np.vander(x, order + 1, increasing=True), weights=w).fit()
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-7, abs=1e-7)
    assert ours.se == pytest.approx(theirs.bse, rel=1e-7)
    assert ours.residual_sd == pytest.approx(np.sqrt(theirs.scale), rel=1e-8)
    assert ours.r_squared == pytest.approx(theirs.rsquared, rel=1e-8)
    assert ours.p_value(order) == pytest.approx(theirs.pvalues[order], rel=1e-6, abs=1e-14)
    at = np.linspace(0, 20, 9)
    table = theirs.get_prediction(np.vander(at, order + 1, increasing=True)).summary_frame(alpha=0.1)
    inside = ours.at(at, level=0.9)
    assert inside.low == pytest.approx(table["mean_ci_lower"].to_numpy(), rel=1e-6, abs=1e-6)
    assert ours.at(at, level=0.9, reading=True).high == pytest.approx(
        table["obs_ci_upper"].to_numpy(), rel=1e-6, abs=1e-6
    )


@RANDOM
@given(seed=SEEDS, order=st.integers(1, 5))
def test_polynomials_against_numpy(seed: int, order: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-3, 8, 30), rng.normal(size=30)
    theirs = np.polynomial.Polynomial.fit(x, y, order)
    assert polynomial(x, y, order).coefficients == pytest.approx(theirs.convert().coef, rel=1e-7, abs=1e-10)


@RANDOM
@given(seed=SEEDS)
def test_lack_of_fit_against_nested_models_of_statsmodels(seed: int) -> None:
    x, y, w = readings(seed)
    each = (np.unique(x)[:, None] == x).T.astype(float)
    line, means = (sm.WLS(y, rows, weights=w).fit() for rows in (np.vander(x, 2), each))
    f, p, df = means.compare_f_test(line)
    ours = lack_of_fit(x, y, 1, weights=w)
    assert (ours.f, ours.p) == (pytest.approx(f, rel=1e-7), pytest.approx(p, rel=1e-6))
    assert ours.df_fit == df


@RANDOM
@given(seed=SEEDS)
def test_deviation_from_linearity_against_statsmodels(seed: int) -> None:
    x, y, _ = readings(seed)
    found = deviation_of_polynomial(x, y, order=3)
    at = found.levels.x
    curve, line = (sm.OLS(y, np.vander(x, k, increasing=True)).fit() for k in (4, 2))
    due = curve.predict(np.vander(at, 4, increasing=True)) - line.predict(np.vander(at, 2, increasing=True))
    assert found.deviation == pytest.approx(due, abs=1e-7)
    # The terms that are not in the line, made orthogonal to it, carry the deviation and its variance.
    lower = np.vander(x, 2, increasing=True)
    upper = np.column_stack([x**2, x**3])
    project = np.linalg.lstsq(lower, upper, rcond=None)[0]
    both = sm.OLS(y, np.column_stack([lower, upper - lower @ project])).fit()
    rows = np.column_stack([at**2, at**3]) - np.vander(at, 2, increasing=True) @ project
    table = both.t_test(np.column_stack([np.zeros((at.size, 2)), rows]))
    assert found.low == pytest.approx(table.conf_int()[:, 0], abs=1e-6)
    assert found.high == pytest.approx(table.conf_int()[:, 1], abs=1e-6)


@RANDOM
@given(seed=SEEDS)
def test_equal_weights_by_level_change_nothing(seed: int) -> None:
    x, y, _ = readings(seed)
    levels = gather(x, y)
    lack = lack_of_fit_of(levels)
    assert lack is not None
    assert lack.f == pytest.approx(lack_of_fit(x, y).f, rel=1e-8)


@RANDOM
@given(seed=SEEDS)
def test_nonlinear_fits_against_curve_fit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.linspace(0.2, 10, 25)

    def decay(at: np.ndarray, top: float, rate: float, floor: float) -> np.ndarray:
        return floor + top * np.exp(-rate * at)

    y = decay(x, 5, 0.6, 1) + rng.normal(0, 0.05, x.size)
    ours = nonlinear(decay, x, y, [3, 0.3, 0.5])
    values, covariance = optimize.curve_fit(decay, x, y, [3, 0.3, 0.5], ftol=1e-14, xtol=1e-14)
    assert ours.parameters == pytest.approx(values, rel=1e-6)
    assert ours.se == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)
