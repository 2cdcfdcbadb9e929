import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.discrimination import area, area_interval, marks

readings = st.lists(st.integers(0, 12), min_size=2, max_size=25)
often = settings(derandomize=True, deadline=None, max_examples=80)


def pairs(positive: np.ndarray, negative: np.ndarray) -> np.ndarray:
    """The share each pair adds to the area, by its definition."""
    gap = positive[:, None] - negative[None, :]
    return np.where(gap > 0, 1.0, np.where(gap == 0, 0.5, 0.0))


def joined(positive: list[int], negative: list[int]) -> tuple[np.ndarray, np.ndarray]:
    return np.array(positive + negative, dtype=float), np.arange(len(positive) + len(negative)) < len(positive)


@given(readings, readings)
@often
def test_area_and_variance_are_those_of_all_pairs(positive: list[int], negative: list[int]) -> None:
    x, y = joined(positive, negative)
    psi = pairs(x[y], x[~y])
    found = area(marks(x, y))
    assert found.area.value == pytest.approx(psi.mean(), abs=1e-14)
    m, n = psi.shape
    variance = psi.mean(axis=1).var(ddof=1) / m + psi.mean(axis=0).var(ddof=1) / n
    assert found.se == pytest.approx(math.sqrt(variance), abs=1e-12)


@given(readings, readings)
@often
def test_order_groups_and_sides(positive: list[int], negative: list[int]) -> None:
    x, y = joined(positive, negative)
    found = area(marks(x, y))
    for other in (
        area(marks(x[::-1], y[::-1])),
        area(marks(-x, y, direction="lower")),
        area(marks(x, ~y, direction="lower")),
        area(marks(1e-12 * x + 3, y)),
        area(marks(np.exp(x), y)),
    ):
        assert other.area.value == pytest.approx(found.area.value, abs=1e-14)
        assert other.se == pytest.approx(found.se, abs=1e-12)
        assert other.area.low == pytest.approx(found.area.low, abs=1e-9)
    turned = area(marks(x, ~y))
    assert turned.area.value == pytest.approx(1 - found.area.value, abs=1e-14)
    assert turned.area.low == pytest.approx(1 - found.area.high, abs=1e-9)


def test_the_intervals() -> None:
    x, y = joined([3, 4, 6, 8, 9, 11], [1, 2, 3, 5, 6, 7])
    found = area(marks(x, y))
    value, se = found.area.value, found.se
    wald = area(marks(x, y), interval="wald").area
    assert (wald.low, wald.high) == pytest.approx((value - 1.959964 * se, value + 1.959964 * se), abs=1e-6)
    middle, half = math.log(value / (1 - value)), 1.959964 * se / (value * (1 - value))
    ends = [1 / (1 + math.exp(-(middle + s * half))) for s in (-1, 1)]
    assert (found.area.low, found.area.high) == pytest.approx(tuple(ends), abs=1e-6)
    assert found.interval == "logit"


def test_wald_may_pass_one_and_logit_not() -> None:
    x, y = joined([5, 7, 8, 9, 10, 11], [1, 2, 3, 4, 6])
    assert area(marks(x, y), interval="wald").area.high > 1
    assert area(marks(x, y)).area.high < 1


@pytest.mark.parametrize("value", [0.0, 0.3, 0.5, 0.93, 1.0])
@pytest.mark.parametrize(("m", "n"), [(1, 1), (5, 5), (30, 12)])
def test_the_score_interval_is_where_its_own_standard_error_reaches(value: float, m: int, n: int) -> None:
    low, high = area_interval(value, None, m, n, interval="score")
    assert 0 <= low <= value <= high <= 1
    for end in (low, high):
        if end in (0.0, 1.0):
            continue
        middle = (m + n) / 2 - 1
        variance = end * (1 - end) / (m * n) * (1 + middle * ((1 - end) / (2 - end) + end / (1 + end)))
        assert abs(value - end) / math.sqrt(variance) == pytest.approx(1.959964, abs=1e-5)


def test_perfect_separation_is_not_certainty() -> None:
    x, y = joined([5, 6, 7], [1, 2, 3])
    found = area(marks(x, y))
    assert (found.area.value, found.se, found.interval) == (1.0, 0.0, "score")
    assert found.area.high == 1
    assert 0.4 < found.area.low < 0.6
    assert "not certainty" in found.area.why
    more = area(marks(*joined(list(range(100, 150)), list(range(50)))))
    assert more.area.low > 0.9
    mirrored = area(marks(x, ~y))
    assert (mirrored.area.low, mirrored.area.high) == pytest.approx((0, 1 - found.area.low))


def test_constant_readings_and_single_members() -> None:
    flat = area(marks([2.0] * 6, [True] * 3 + [False] * 3))
    assert (flat.area.value, flat.se, flat.interval) == (0.5, 0, "score")
    assert flat.area.low < 0.5 < flat.area.high
    single = area(marks([3.0, 1.0, 2.0], [True, False, False]))
    assert single.se is None
    assert "single member" in single.area.why
    assert single.area.low < 0.6


def test_wrong_settings() -> None:
    with pytest.raises(InputError, match="logit, wald or score"):
        area(marks([1.0, 2.0], [True, False]), interval="exact")
    with pytest.raises(InputError, match="no standard error"):
        area_interval(0.5, None, 3, 3, interval="wald")


def test_a_million_rows() -> None:
    rng = np.random.default_rng(1)
    y = rng.random(1_000_000) < 0.3
    x = np.round(rng.normal(size=y.size) + y, 3)
    found = area(marks(x, y))
    # Normal groups one SD apart: Phi(1/sqrt 2).
    assert found.area.value == pytest.approx(0.7602499, abs=4 * found.se)
    assert found.area.low < 0.7602499 < found.area.high
