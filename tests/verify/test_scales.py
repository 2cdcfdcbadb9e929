"""Differences and ratios on one working scale."""

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.records import Bounded
from stanch.verify.scales import allowed_text, edges, every, grouped, no_effect, on_scale, shown, thinned


def test_a_ratio_is_worked_on_as_logarithm_and_shown_back():
    assert on_scale([math.e], "ratio").tolist() == [1.0]
    assert on_scale([-2.0], "difference").tolist() == [-2.0]
    assert shown(Bounded(0.0, math.log(0.5), math.log(2)), "ratio") == Bounded(1.0, 0.5, 2.0, "1")
    assert shown(Bounded(1.0, 0.0, 2.0), "difference", "Pa").unit == "Pa"
    assert (no_effect("ratio"), no_effect("difference")) == (1.0, 0.0)


def test_a_ratio_beyond_floating_point_is_said_so():
    assert shown(Bounded(800.0, 0.0, 900.0), "ratio").why == "The ratio is too large to write."


@pytest.mark.parametrize(
    ("allowed", "scale"), [(1.0, "ratio"), (0.9, "ratio"), (0.0, "difference"), (math.inf, "ratio")]
)
def test_limits_that_allow_nothing_are_refused(allowed, scale):
    with pytest.raises(InputError, match="allowed"):
        edges(allowed, scale)


def test_limits():
    assert edges(None, "ratio") == (None, None)
    assert edges(2.0, "difference") == (-2.0, 2.0)
    low, high = edges(1.25, "ratio")
    assert math.exp(low) == pytest.approx(0.8)
    assert math.exp(high) == pytest.approx(1.25)
    assert allowed_text(1.1, "ratio", "Pa", "ratio") == "ratio within 1/1.1 to 1.1"
    assert allowed_text(5, "difference", "Pa", "bias") == "bias within ±5 Pa"
    assert allowed_text(None, "ratio", "", "x") == ""


def test_zero_has_no_ratio():
    with pytest.raises(InputError, match="above zero"):
        on_scale([1.0, 0.0], "ratio")


def test_groups_keep_their_order_of_appearance():
    names, place = grouped(["b", "a", "b", "c"])
    assert names.tolist() == ["b", "a", "c"]
    assert place.tolist() == [0, 1, 0, 2]


def test_thinning_keeps_both_ends():
    (x,) = thinned(np.arange(10_001.0))
    assert len(x) == 2000
    assert (x[0], x[-1]) == (0.0, 10_000.0)
    assert thinned([1.0, 2.0], [3.0, 4.0]) == ((1.0, 2.0), (3.0, 4.0))


def test_every_so_many_are_drawn_and_said() -> None:
    assert every(2000, "point") == (slice(None, None, 1), "")
    for size, said in ((4000, "2nd"), (6000, "3rd"), (22000, "11th"), (42000, "21st"), (8000, "4th")):
        pick, sentence = every(size, "point")
        assert sentence == f" Every {said} point is drawn."
        assert len(range(size)[pick]) <= 2000
