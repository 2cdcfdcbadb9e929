"""Random trials: distributions, intervals, stopping, validation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.budget import Input, first_order, monte_carlo, simultaneous, validate
from stanch.verify.budget.monte_carlo import shortest


def total(values):
    return sum(values.values())


@pytest.mark.parametrize(
    ("shape", "top", "half_over_u", "kurtosis"),
    [
        ("rectangular", 0.5, math.sqrt(3), 1.8),
        ("triangular", 0.5, math.sqrt(6), 2.4),
        ("arcsine", 0.5, math.sqrt(2), 1.5),
        ("trapezoidal", 0.0, math.sqrt(6), 2.4),
        ("trapezoidal", 1.0, math.sqrt(3), 1.8),
    ],
)
def test_a_half_width_bounds_the_draws_and_gives_their_deviation(shape, top, half_over_u, kurtosis) -> None:
    one = Input.within("x", 5.0, 2.0, shape=shape, top=top)
    x = one.draw(200_000, np.random.default_rng(1))
    assert one.u == pytest.approx(2.0 / half_over_u)
    assert np.abs(x - 5.0).max() <= 2.0
    assert np.abs(x - 5.0).max() > 1.98
    assert x.std() == pytest.approx(one.u, rel=0.005)
    assert np.mean(((x - 5) / one.u) ** 4) == pytest.approx(kurtosis, rel=0.01)


def test_t_inputs_are_wider_than_their_scale() -> None:
    x = Input("x", 0.0, 2.0, df=5, shape="t").draw(400_000, np.random.default_rng(2))
    assert x.std() == pytest.approx(2.0 * math.sqrt(5 / 3), rel=0.02)


def test_the_sum_of_four_rectangles_is_narrower_than_first_order_says() -> None:
    # Source: JCGM 101:2008, 9.2.3, the 97.5 % point of the sum is 3.88, that of the normal distribution 3.92.
    inputs = [Input(f"x{k}", 0.0, 1.0, shape="rectangular") for k in range(4)]
    found = monte_carlo(total, inputs, digits=3, seed=1)
    assert found.stable
    assert found["y"].high == pytest.approx(3.8794, abs=0.012)
    assert first_order(total, inputs)["y"].expanded == pytest.approx(3.9199, abs=1e-4)
    # To one digit of u = 2 the difference of 0.04 does not count.
    assert validate(first_order(total, inputs)["y"], found["y"], digits=1).valid


def test_first_order_is_valid_for_normal_sums_and_not_for_squares() -> None:
    normal = [Input("a", 1.0, 0.3), Input("b", 2.0, 0.4)]
    check = validate(first_order(total, normal)["y"], monte_carlo(total, normal, digits=3, seed=4)["y"])
    assert check.valid
    assert check.tolerance == pytest.approx(0.005)
    square = [Input("x", 0.5, 0.5)]

    def model(values):
        return values["x"] ** 2

    check = validate(first_order(model, square)["y"], monte_carlo(model, square, digits=3)["y"])
    assert not check.valid


def test_the_shortest_interval_of_a_skewed_result() -> None:
    def model(values):
        return -np.log(values["u"])

    found = monte_carlo(model, [Input.within("u", 0.5, 0.5)], trials=200_000, seed=5)["y"]
    # Exponential: the shortest 95 % interval starts at 0 and ends at -ln 0.05; the symmetric one does not.
    assert found.shortest == (pytest.approx(0.0, abs=1e-3), pytest.approx(-math.log(0.05), rel=0.02))
    assert found.low == pytest.approx(-math.log(0.975), rel=0.05)
    assert found.high == pytest.approx(-math.log(0.025), rel=0.02)


def test_shortest_of_few() -> None:
    assert shortest(np.array([0.0, 5.0, 6.0, 7.0, 20.0]), 0.5) == (5.0, 7.0)


def test_correlated_normal_inputs() -> None:
    inputs = [Input("a", 0.0, 1.0), Input("b", 0.0, 1.0), Input("c", 0.0, 0.0)]
    found = monte_carlo(total, inputs, correlations={("a", "b"): -0.5, ("a", "c"): 0.3}, trials=300_000)
    assert found["y"].u == pytest.approx(1.0, rel=0.01)


def test_simultaneous_sets_are_drawn_jointly() -> None:
    inputs, r = simultaneous({"a": [1.0, 2.0, 4.0, 7.0, 5.0], "b": [2.0, 4.0, 8.0, 14.0, 10.0]})
    found = monte_carlo(lambda v: 2 * v["a"] - v["b"], inputs, correlations=r, trials=1000)["y"]
    assert found.u == pytest.approx(0.0, abs=1e-6)


def test_correlated_rectangles_are_refused() -> None:
    inputs = [Input.within("a", 0, 1), Input("b", 0, 1)]
    with pytest.raises(InputError, match="distributions of correlated inputs"):
        monte_carlo(total, inputs, correlations={("a", "b"): 0.5})


def test_a_model_that_takes_one_set_at_a_time() -> None:
    def model(values):
        return math.exp(values["a"])

    inputs = [Input("a", 0.0, 0.1)]
    slow = monte_carlo(model, inputs, trials=200, seed=9, vectorised=False)["y"]
    fast = monte_carlo(lambda v: np.exp(v["a"]), inputs, trials=200, seed=9)["y"]
    assert slow.trials == pytest.approx(fast.trials, rel=1e-15)


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_scale_changes_nothing_else(scale) -> None:
    inputs = [Input("a", 3.0 * scale, 0.5 * scale), Input.within("b", 1.0 * scale, 0.7 * scale)]
    found = monte_carlo(total, inputs, digits=2, seed=2)
    assert found["y"].u / scale == pytest.approx(math.hypot(0.5, 0.7 / math.sqrt(3)), rel=0.01)
    assert found.trials == monte_carlo(total, [Input("a", 3, 0.5), Input.within("b", 1, 0.7)], digits=2, seed=2).trials


def test_constants_give_no_spread_and_no_warning() -> None:
    found = monte_carlo(total, [Input("a", 3.0, 0.0), Input("b", 2.0, 0.0)])
    assert (found["y"].value, found["y"].u, found["y"].low, found["y"].shortest) == (5.0, 0.0, 5.0, (5.0, 5.0))
    assert found.stable


def test_heavy_tails_stop_at_the_most_and_say_so() -> None:
    found = monte_carlo(total, [Input("a", 0.0, 1.0, df=1.0, shape="t")], most=50_000, digits=4)
    assert not found.stable
    assert found.trials <= 50_000


def test_the_seed_decides() -> None:
    inputs = [Input("a", 0.0, 1.0)]
    one, same, other = (monte_carlo(total, inputs, trials=100, seed=s)["y"].trials for s in (1, 1, 2))
    assert (one == same).all()
    assert (one != other).any()


@pytest.mark.parametrize("wrong", [{"level": 0.0}, {"digits": 0}, {"trials": 1}])
def test_what_cannot_be_is_refused(wrong) -> None:
    with pytest.raises(InputError):
        monte_carlo(total, [Input("a", 0.0, 1.0)], **wrong)
