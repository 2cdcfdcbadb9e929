import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.reference_limits import nonparametric_limits


def test_the_limit_is_the_value_of_rank_p_times_n_plus_one() -> None:
    # 119 values: ranks 3 and 117 exactly.
    found = nonparametric_limits(np.arange(1.0, 120.0))
    assert found.lower is not None
    assert found.upper is not None
    assert (found.lower.value, found.upper.value) == (pytest.approx(3, abs=1e-12), pytest.approx(117, abs=1e-12))
    assert (found.lower.low, found.lower.high) == (1, 7)
    assert (found.upper.low, found.upper.high) == (113, 119)
    assert found.ranks == {"lower": (1, 7), "upper": (113, 119)}
    assert found.middle == 60
    assert found.relative_width("lower") == pytest.approx(6 / 114)


def test_a_limit_between_ranks_is_between_values() -> None:
    x = np.arange(1.0, 101.0)
    found = nonparametric_limits(x)
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower.value == pytest.approx(0.025 * 101)
    assert found.upper.value == pytest.approx(0.975 * 101)
    assert found.lower.low is None
    assert found.lower.high is not None
    assert "119" in found.lower.why


def test_a_single_limit_takes_the_whole_tail() -> None:
    x = np.arange(1.0, 100.0)
    found = nonparametric_limits(x, side="upper")
    assert found.lower is None
    assert found.upper is not None
    assert found.upper.value == pytest.approx(95)
    assert found.relative_width("upper") == pytest.approx((found.upper.high - found.upper.low) / (2 * (95 - 50)))
    low = nonparametric_limits(x, side="lower")
    assert low.upper is None
    assert low.lower is not None
    assert low.lower.value == pytest.approx(5)


def test_twenty_values_take_the_outermost_and_say_so() -> None:
    found = nonparametric_limits(np.arange(20.0))
    assert found.lower is not None
    assert found.upper is not None
    assert (found.lower.value, found.upper.value) == (0, 19)
    assert "20 values are too few" in found.lower.why


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_constants_and_scales(scale: float) -> None:
    found = nonparametric_limits(np.full(200, 3.0 * scale))
    assert found.lower is not None
    assert (found.lower.value, found.lower.low, found.lower.high) == (3 * scale, 3 * scale, 3 * scale)
    assert found.relative_width("lower") is None


def test_two_values_are_refused() -> None:
    with pytest.raises(InputError, match="reference values; got 2 values"):
        nonparametric_limits([1.0, 2.0])
    with pytest.raises(InputError, match="not finite"):
        nonparametric_limits([1.0, np.nan, 2.0])
    with pytest.raises(InputError, match="coverage"):
        nonparametric_limits([1.0, 2.0, 3.0], coverage=1.0)


def test_bounds_keep_their_place_and_hide_what_they_must() -> None:
    x = np.concatenate([np.full(2, 5.0), np.arange(6.0, 204.0)])
    below = np.arange(200) < 2
    found = nonparametric_limits(x, below=below)
    assert found.lower is not None
    # Rank 5.025 is among the numbers; the interval begins at rank 2, which is a bound.
    assert found.lower.value == pytest.approx(8.025)
    assert found.ranks["lower"] == (2, 10)
    assert found.lower.low is None
    assert found.lower.high == 13.0
    many = nonparametric_limits(x, below=np.arange(200) < 10)
    assert many.lower is not None
    assert many.lower.value is None
    assert "bounds" in many.lower.why
    assert many.upper == found.upper


def test_a_bound_above_exact_values_hides_all_it_may_pass() -> None:
    # <50 may lie anywhere below 50, so the ranks below 50 are open.
    x = np.arange(1.0, 201.0)
    below = x == 50.0
    found = nonparametric_limits(x, below=below)
    assert found.lower is not None
    assert found.lower.value is None
    assert found.upper is not None
    assert found.upper.value == pytest.approx(195.975)


def test_flags_must_fit() -> None:
    with pytest.raises(InputError, match="one per value"):
        nonparametric_limits([1.0, 2.0, 3.0], below=[True])


@given(st.lists(st.integers(-1000, 1000), min_size=3, max_size=300), st.integers(-50, 50))
@settings(derandomize=True, deadline=None, max_examples=60)
def test_shift_mirror_and_order_do_not_matter(values: list[int], shift: int) -> None:
    x = np.array(values, dtype=float)
    found, moved, turned = (nonparametric_limits(v) for v in (x, x[::-1] + shift, -x))
    assert found.lower is not None
    assert found.upper is not None
    assert moved.lower is not None
    assert turned.upper is not None
    assert moved.lower.value == pytest.approx(found.lower.value + shift, abs=1e-9)
    assert turned.upper.value == pytest.approx(-found.lower.value, abs=1e-9)
    assert (moved.lower.low is None) == (found.lower.low is None)
    if found.lower.low is not None:
        assert turned.upper.high == -found.lower.low


def test_a_million_values() -> None:
    x = np.random.default_rng(1).normal(size=1_000_000)
    found = nonparametric_limits(x)
    assert found.lower is not None
    assert found.lower.value == pytest.approx(-1.96, abs=0.01)
    assert found.lower.low < found.lower.value < found.lower.high
    assert found.lower.high - found.lower.low < 0.02
