"""First order: exact cases, invariances, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.budget import Input, calibration_line, first_order, parse_model, simultaneous


def product(values):
    return values["a"] * values["b"]


def total(values):
    return sum(values.values())


def test_a_product_of_independent_inputs() -> None:
    found = first_order(product, [Input("a", 4.0, 0.4), Input("b", 5.0, 0.1)])["y"]
    assert found.value == 20.0
    assert found.u == pytest.approx(math.hypot(5 * 0.4, 4 * 0.1), rel=1e-12)
    assert [c.input.name for c in found.contributions] == ["a", "b"]
    assert sum(c.share for c in found.contributions) == pytest.approx(1.0)
    assert found.k == pytest.approx(1.959964, rel=1e-6)


@pytest.mark.parametrize("steps", ["fine", "complex"])
def test_sensitivities_of_a_curved_model(steps) -> None:
    formula = parse_model("exp(a) * sin(b) / sqrt(c)")["y"]
    inputs = [Input("a", 0.7, 0.1), Input("b", 1.1, 0.05), Input("c", 4.0, 0.3)]
    found = first_order(formula, inputs, steps=steps)["y"]
    exact = {
        "a": math.exp(0.7) * math.sin(1.1) / 2,
        "b": math.exp(0.7) * math.cos(1.1) / 2,
        "c": -0.5 * math.exp(0.7) * math.sin(1.1) / 8,
    }
    for c in found.contributions:
        assert c.sensitivity == pytest.approx(exact[c.input.name], rel=1e-7 if steps == "fine" else 1e-13)


def test_steps_of_one_uncertainty_ask_for_two_runs_of_each_input() -> None:
    calls = []

    def model(values):
        calls.append(dict(values))
        return values["a"] ** 3

    found = first_order(model, [Input("a", 2.0, 0.5), Input("exact", 1.0, 0.0)], steps="one-u")["y"]
    assert len(calls) == 3
    assert found.u == pytest.approx((2.5**3 - 1.5**3) / 2)
    assert {c.input.name: c.sensitivity for c in found.contributions}["exact"] is None


def test_full_correlation_adds_and_takes_away() -> None:
    inputs = [Input("a", 1.0, 0.3), Input("b", 1.0, 0.4)]
    assert first_order(total, inputs, correlations={("a", "b"): 1.0})["y"].u == pytest.approx(0.7)
    apart = first_order(lambda v: v["a"] - v["b"], inputs, correlations={("a", "b"): 1.0})["y"]
    assert apart.u == pytest.approx(0.1)
    assert apart.correlated == pytest.approx(-2 * 0.3 * 0.4)


def test_random_and_systematic_add_in_squares() -> None:
    inputs = [Input("a", 0, 3.0, kind="random"), Input("b", 0, 4.0), Input("c", 0, 12.0)]
    found = first_order(total, inputs)["y"]
    assert (found.u_random, found.u_systematic) == pytest.approx((3.0, math.hypot(4, 12)))
    assert found.u == pytest.approx(13.0)


def test_degrees_of_freedom_stay_fractional_unless_cut() -> None:
    inputs = [Input("a", 0, 1.0, df=4), Input("b", 0, 1.0, df=9)]
    found = first_order(total, inputs)["y"]
    assert found.df == pytest.approx(4 / (1 / 4 + 1 / 9))
    cut = first_order(total, inputs, truncate=True)["y"]
    assert cut.df == found.df
    # Student's t 0.975 quantile at 11 degrees of freedom.
    assert cut.k == pytest.approx(2.200985, rel=1e-6)
    assert cut.k > found.k > 1.96


def test_one_input_keeps_its_degrees_of_freedom_whatever_its_scale() -> None:
    for scale in (1e-150, 1e-12, 1.0, 1e12, 1e150):
        assert first_order(total, [Input("a", 0.0, scale, df=3.5)])["y"].df == pytest.approx(3.5)


def test_an_input_in_other_units_gives_the_same_budget() -> None:
    one = first_order(product, [Input("a", 4.0, 0.4), Input("b", 5.0, 0.1)])["y"]
    other = first_order(lambda v: v["a"] * v["b"] / 1e12, [Input("a", 4e12, 0.4e12), Input("b", 5.0, 0.1)])["y"]
    assert other.u == pytest.approx(one.u, rel=1e-9)


def test_second_order_terms_of_a_square() -> None:
    # X normal about zero: X^2 has mean u^2 and variance 2 u^4, all of it second order.
    found = first_order(lambda v: v["x"] ** 2, [Input("x", 0.0, 0.3)], second_order=True)["y"]
    assert found.u == pytest.approx(math.sqrt(2) * 0.09, rel=1e-6)
    assert found.shift == pytest.approx(0.09, rel=1e-6)
    # exp(X), u small: variance u^2 (1 + 3 u^2 / 2 + ...).
    curved = first_order(lambda v: np.exp(v["x"]), [Input("x", 0.0, 0.01)], second_order=True)["y"]
    assert curved.u**2 == pytest.approx(1e-4 * (1 + 1.5e-4), rel=1e-6)


def test_given_sensitivities_stand_beside_a_model() -> None:
    inputs = [Input("a", 4.0, 0.4), Input("b", 5.0, 0.1), Input("t", 37.0, 0.2, sensitivity=-3.0)]
    found = first_order(product, inputs)["y"]
    assert found.value == 20.0
    assert found.u == pytest.approx(math.sqrt(2**2 + 0.4**2 + 0.6**2))
    alone = first_order(None, [inputs[2]], value=250.0)["y"]
    assert (alone.value, alone.u) == (250.0, pytest.approx(0.6))


def test_simultaneous_sets_of_one_quantity_twice() -> None:
    x = np.array([1.0, 2.0, 4.0])
    inputs, r = simultaneous({"a": x, "b": 2 * x})
    assert r["a", "b"] == pytest.approx(1.0)
    assert first_order(lambda v: 2 * v["a"] - v["b"], inputs, correlations=r)["y"].u == pytest.approx(0.0, abs=1e-7)


def test_a_calibration_line_through_exact_points() -> None:
    line = calibration_line([1.0, 2.0, 3.0], [5.0, 7.0, 9.0], reference=2.0)
    assert (line.intercept.value, line.slope.value, line.correlation) == (7.0, 2.0, 0.0)
    assert line.sd == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda: Input("a", 1.0, -1.0), "standard uncertainty of input a"),
        (lambda: Input("a", math.nan, 1.0), "value of input a"),
        (lambda: Input("a", 1.0, 1.0, df=0), "degrees of freedom"),
        (lambda: Input("a", 1.0, 1.0, shape="t"), "degrees of freedom"),
        (lambda: Input.within("a", 1.0, 1.0, shape="normal"), "shape of input a"),
        (lambda: first_order(total, []), "inputs"),
        (lambda: first_order(total, [Input("a", 1, 1), Input("a", 2, 1)]), "names of inputs"),
        (lambda: first_order(None, [Input("a", 1, 1)]), "no sensitivity"),
        (lambda: first_order(total, [Input("a", 1, 1)], correlations={("a", "z"): 0.5}), "correlation of a and z"),
        (lambda: first_order(total, [Input("a", 1, 1)], level=1.0), "level"),
        (lambda: first_order(lambda v: np.log(v["a"] - 2), [Input("a", 2.5, 20.0)]), "not finite"),
        (
            lambda: first_order(
                total,
                [Input("a", 1, 1), Input("b", 1, 1), Input("c", 1, 1)],
                correlations={("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9},
            ),
            "cannot hold together",
        ),
    ],
)
@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
def test_what_cannot_be_is_refused(wrong, said) -> None:
    with pytest.raises(InputError, match=said):
        wrong()
