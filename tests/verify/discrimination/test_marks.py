import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.discrimination import area, marks


def test_levels_rise_towards_positive() -> None:
    found = marks([3.0, 1.0, 2.0, 2.0], [True, False, True, False])
    assert found.levels.tolist() == [1, 2, 3]
    assert found.positive.tolist() == [2, 1]
    assert found.negative.tolist() == [0, 1]
    turned = marks([3.0, 1.0, 2.0, 2.0], [True, False, True, False], direction="lower")
    assert turned.levels.tolist() == [3, 2, 1]
    assert turned.positive.tolist() == [0, 1]


def test_the_direction_is_never_turned() -> None:
    x, y = [1.0, 2.0, 3.0, 4.0], [True, True, False, False]
    assert area(marks(x, y)).area.value == 0
    assert area(marks(x, y, direction="lower")).area.value == 1


def test_bounds_rank_lowest_and_highest_and_tie() -> None:
    x = [5.0, 5.0, 5.0, 7.0, 9.0, 9.0]
    below = [True, True, False, False, False, False]
    above = [False, False, False, False, False, True]
    found = marks(x, [True, False, False, True, False, True], below=below, above=above)
    # <5 lies below an exact 5, >9 above an exact 9.
    assert found.levels.tolist() == [5, 5, 7, 9, 9]
    assert found.positive.tolist() == [0, 2, 4]
    assert found.negative.tolist() == [0, 1, 3]
    assert (found.below, found.above, found.recoded) == (True, True, 0)
    turned = marks(x, [True, False, False, True, False, True], below=below, above=above, direction="lower")
    assert turned.positive.tolist() == [4, 2, 0]


@pytest.mark.parametrize(
    ("x", "below"),
    [([2.0, 5.0, 7.0], [True, True, False]), ([3.0, 5.0, 7.0], [False, True, False])],
)
def test_an_open_order_is_refused_or_made_common(x: list[float], below: list[bool]) -> None:
    with pytest.raises(InputError, match="order against <5 is open"):
        marks(x, [True, False, True], below=below)
    found = marks(x, [True, False, True], below=below, bounds="common")
    assert found.levels.tolist() == [5, 7]
    assert found.recoded == 1
    assert found.positive.tolist() == [0, 1]


def test_an_open_order_above() -> None:
    x, above = [3.0, 5.0, 7.0, 9.0], [False, True, False, True]
    with pytest.raises(InputError, match="order against >5 is open"):
        marks(x, [True, False, True, False], above=above)
    found = marks(x, [True, False, True, False], above=above, bounds="common")
    assert found.levels.tolist() == [3, 5]
    assert found.recoded == 2


def test_bounds_that_cross_are_refused_either_way() -> None:
    for bounds in ("refuse", "common"):
        with pytest.raises(InputError, match="leave an order"):
            marks([5.0, 3.0], [True, False], below=[True, False], above=[False, True], bounds=bounds)


@pytest.mark.parametrize(
    ("x", "y", "said"),
    [
        ([1.0, 2.0], [True, True], "nobody in the negative group"),
        ([1.0, 2.0], [False, False], "nobody in the positive group"),
        ([1.0, np.nan], [True, False], "not finite"),
        ([1.0, 2.0, 3.0], [True, False], "one per reading"),
        ([1.0], [True], "at least 2"),
    ],
)
def test_what_cannot_be_ordered_is_refused(x: list[float], y: list[bool], said: str) -> None:
    with pytest.raises(InputError, match=said):
        marks(x, y)


def test_unknown_directions_are_refused() -> None:
    with pytest.raises(InputError, match="higher or lower"):
        marks([1.0, 2.0], [True, False], direction="up")
    with pytest.raises(InputError, match="one for each value"):
        marks([1.0, 2.0], [True, False], below=[True])
