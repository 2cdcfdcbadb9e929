"""Limit of blank."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.detection import limit_of_blank, small_sample_factor

Z = 1.6448536269514722


def test_rank_by_hand() -> None:
    # Rank 0.5 + 0.95 * 20 = 19.5: half way between the two largest.
    assert limit_of_blank(np.arange(20.0)).limit.value == 18.5
    assert limit_of_blank(np.arange(60.0)).rank == 57.5
    assert limit_of_blank(np.arange(10.0), alpha=0.1).limit.value == 8.5


def test_too_few_for_the_rank_take_the_largest_and_say_so() -> None:
    found = limit_of_blank([3.0, 1.0, 2.0])
    assert found.limit.value == 3
    assert "too few" in found.limit.why
    assert found.limit.high is None


def test_ends_by_order_statistics() -> None:
    found = limit_of_blank(np.arange(1.0, 101), confidence=0.95)
    # P(Bin(100, 0.95) <= 89) = 0.0115 <= 0.025 < P(<= 90) = 0.0282; P(<= 98) = 0.9629 < 0.975 <= P(<= 99) = 0.9941.
    assert found.limit.low == 90
    assert found.limit.high == 100
    assert limit_of_blank(np.arange(60.0)).limit.high is None
    assert limit_of_blank(np.arange(60.0), confidence=0.9).limit.high == 59


def test_parametric_by_hand() -> None:
    x = np.array([1.0, 2, 3, 4, 5, 6])
    sd = math.sqrt(3.5)
    assert limit_of_blank(x, method="parametric", factor=False).limit.value == pytest.approx(3.5 + Z * sd, rel=1e-9)
    with_factor = limit_of_blank(x, method="parametric", samples=2)
    assert with_factor.limit.value == pytest.approx(3.5 + Z / (1 - 1 / 16) * sd, rel=1e-9)
    assert with_factor.factor == pytest.approx(small_sample_factor(0.95, 4))


def test_bounds_below_the_rank_do_not_matter() -> None:
    x = np.random.default_rng(1).normal(size=60)
    below = x < 0.5
    cut = np.where(below, 0.5, x)
    free, kept = limit_of_blank(x), limit_of_blank(cut, below=below)
    assert kept.limit.value == free.limit.value
    assert kept.censored == below.sum()
    assert kept.mean is None
    assert "rank" in kept.treatment


def test_a_rank_among_bounds_gives_no_value() -> None:
    x = np.full(20, 2.0)
    below = np.ones(20, dtype=bool)
    below[:1] = False
    found = limit_of_blank(x, below=below)
    assert found.limit.value is None
    assert found.limit.high == 2
    # A bound above the wanted rank could lie anywhere below it.
    y = np.arange(20.0)
    first = np.zeros(20, dtype=bool)
    y[0], first[0] = 30.0, True
    assert limit_of_blank(y, below=first).limit.value is None
    # Results known as >x lie above the rank wherever they are.
    top = np.zeros(20, dtype=bool)
    top[19] = True
    assert limit_of_blank(np.arange(20.0), above=top, alpha=0.2).limit.value == 15.5
    assert limit_of_blank(np.arange(20.0), above=top).limit.value is None


def test_a_bound_of_the_same_size_ranks_below_the_number() -> None:
    x = np.array([2.0] * 18 + [2.0, 2.0])
    below = np.array([True] * 18 + [False, False])
    assert limit_of_blank(x, below=below).limit.value == 2


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_censored_likelihood_at_any_scale(scale: float) -> None:
    x = np.random.default_rng(2).normal(3, 1, 200)
    below = x < 2.5
    cut = np.where(below, 2.5, x)
    found = limit_of_blank(cut * scale, below=below, method="parametric")
    free = limit_of_blank(x * scale, method="parametric")
    assert found.limit.value == pytest.approx(free.limit.value, rel=0.05)
    assert found.limit.low is not None
    assert found.limit.high is not None
    assert found.limit.low < found.limit.value < found.limit.high  # type: ignore[operator]
    assert found.limit.low / scale == pytest.approx(
        limit_of_blank(cut, below=below, method="parametric").limit.low, rel=1e-4
    )


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    values=st.lists(st.floats(-100, 100), min_size=3, max_size=80),
    scale=st.sampled_from([1e-12, 1.0, 1e12]),
    method=st.sampled_from(["non-parametric", "parametric"]),
)
def test_units_and_order_do_not_matter(values: list[float], scale: float, method: str) -> None:
    one, two = limit_of_blank(values, method=method), limit_of_blank(np.array(values)[::-1] * scale, method=method)
    tolerance = 1e-9 * scale * max(1.0, max(map(abs, values)))
    for end in ("value", "low", "high"):
        a, b = getattr(one.limit, end), getattr(two.limit, end)
        assert (a is None) == (b is None)
        if a is not None:
            assert b == pytest.approx(a * scale, abs=tolerance)


def test_equal_blanks() -> None:
    for method in ("non-parametric", "parametric"):
        found = limit_of_blank(np.full(30, 0.1), method=method)
        assert found.limit.value == pytest.approx(0.1, rel=1e-15)
        assert found.limit.low == found.limit.value


def test_refusals() -> None:
    with pytest.raises(InputError, match="at least 3"):
        limit_of_blank([1.0, 2.0])
    with pytest.raises(InputError, match="alpha"):
        limit_of_blank([1.0, 2, 3], alpha=0)
    with pytest.raises(InputError, match="fewer samples"):
        limit_of_blank([1.0, 2, 3], samples=3)
    with pytest.raises(InputError, match="method"):
        limit_of_blank([1.0, 2, 3], method="robust")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="at least 1"):
        small_sample_factor(0.95, 0)


def test_a_million_blanks() -> None:
    x = np.random.default_rng(3).normal(size=1_000_000)
    assert limit_of_blank(x).limit.value == pytest.approx(Z, abs=0.01)
    found = limit_of_blank(x, method="parametric")
    assert found.limit.low is not None
    assert found.limit.low < Z < found.limit.high  # type: ignore[operator]
