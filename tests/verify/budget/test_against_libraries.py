"""Against the package uncertainties, and against numerical integration, on random data."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from uncertainties import umath

from stanch.verify.budget import Input, first_order, monte_carlo, parse_model

MODELS = (
    ("a * b / c", lambda a, b, c: a * b / c),
    ("sqrt(a) * exp(-b / 10) + log(c)", lambda a, b, c: umath.sqrt(a) * umath.exp(-b / 10) + umath.log(c)),
    ("a ** 2 * sin(b) - cos(c / a)", lambda a, b, c: a**2 * umath.sin(b) - umath.cos(c / a)),
    ("(a + b) ** 1.5 / (c + atan(a))", lambda a, b, c: (a + b) ** 1.5 / (c + umath.atan(a))),
)
positive = st.floats(1.0, 20.0)
spread = st.floats(1e-4, 0.1)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(
    st.sampled_from(MODELS),
    st.lists(positive, min_size=3, max_size=3),
    st.lists(spread, min_size=3, max_size=3),
    st.lists(st.floats(-1.0, 1.0), min_size=9, max_size=9),
)
def test_correlated_first_order(model, values, relative, mix) -> None:
    text, reference = model
    factor = np.array(mix).reshape(3, 3) + 2 * np.eye(3)
    matrix = factor @ factor.T
    scale = np.sqrt(np.diag(matrix))
    r = matrix / np.outer(scale, scale)
    u = np.array(values) * np.array(relative)
    a, b, c = uncertainties.correlated_values_norm(list(zip(values, u, strict=True)), r)
    expected = reference(a, b, c)
    inputs = [Input(name, value, float(x)) for name, value, x in zip("abc", values, u, strict=True)]
    pairs = {("a", "b"): float(r[0, 1]), ("a", "c"): float(r[0, 2]), ("b", "c"): float(r[1, 2])}
    formula = parse_model(text)["y"]
    exact = first_order(formula, inputs, correlations=pairs, steps="complex")["y"]
    largest = max(abs(c.part) for c in exact.contributions)
    assert exact.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert exact.u == pytest.approx(expected.std_dev, rel=1e-6, abs=1e-7 * largest)
    fine = first_order(formula, inputs, correlations=pairs)["y"]
    assert fine.u == pytest.approx(expected.std_dev, rel=1e-4, abs=1e-4 * largest)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.floats(0.2, 5.0), st.floats(1.0, 3.0), st.floats(3.0, 30.0))
def test_trials_follow_the_distributions_of_scipy(width, u, df) -> None:
    shapes = {
        "normal": stats.norm(1.0, u),
        "t": stats.t(df, 1.0, u),
        "rectangular": stats.uniform(1.0 - u * math.sqrt(3), 2 * u * math.sqrt(3)),
        "triangular": stats.triang(0.5, 1.0 - u * math.sqrt(6), 2 * u * math.sqrt(6)),
        "arcsine": stats.arcsine(1.0 - u * math.sqrt(2), 2 * u * math.sqrt(2)),
        "trapezoidal": None,
    }
    top = width / 5
    half = u / math.sqrt((1 + top**2) / 6)
    shapes["trapezoidal"] = stats.trapezoid(0.5 - top / 2, 0.5 + top / 2, 1 - half, 2 * half)
    for shape, reference in shapes.items():
        one = Input("x", 1.0, u, df, shape=shape, top=top)
        found = monte_carlo(lambda v: v["x"], [one], trials=20_000, seed=7)["y"].trials
        # 1.95 / sqrt(n) is passed once in about a thousand.
        assert stats.kstest(found, reference.cdf).statistic < 2.2 / math.sqrt(20_000)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.floats(0.1, 3.0), st.integers(2, 40)), min_size=2, max_size=2))
def test_two_components_have_the_degrees_of_freedom_of_welch(pairs) -> None:
    (s1, n1), (s2, n2) = pairs
    reference = stats.ttest_ind_from_stats(0.0, s1, n1, 1.0, s2, n2, equal_var=False)
    inputs = [
        Input("a", 0.0, s1 / math.sqrt(n1), n1 - 1.0, "random"),
        Input("b", 1.0, s2 / math.sqrt(n2), n2 - 1.0, "random"),
    ]
    found = first_order(lambda v: v["a"] - v["b"], inputs)["y"]
    assert 2 * stats.t.sf(1.0 / found.u, found.df) == pytest.approx(reference.pvalue, rel=1e-9)
