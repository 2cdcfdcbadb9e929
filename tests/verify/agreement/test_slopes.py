"""Ranks of pairwise slopes without the list, against the list."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.agreement import slopes
from stanch.verify.agreement.slopes import SlopeRanks, merge_pairs, scaled_integers


@pytest.fixture(autouse=True)
def small_lists(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lists so short that every round of narrowing is walked through."""
    monkeypatch.setattr(slopes, "LISTED", 12)
    monkeypatch.setattr(slopes, "SAMPLED", 9)


def exact_slopes(x: list[Fraction], y: list[Fraction]) -> list[float]:
    """Every slope in the order from -1 upwards through the upright line, in rational arithmetic."""
    rising, steep = [], []
    upright = 0
    for i in range(len(x)):
        for j in range(i + 1, len(x)):
            dx, dy = x[j] - x[i], y[j] - y[i]
            if dx + dy == 0:
                continue
            if dx == 0:
                upright += 1
            elif dy / dx > -1:
                rising.append(dy / dx)
            else:
                steep.append(dy / dx)
    return [*map(float, sorted(rising)), *[float("inf")] * upright, *map(float, sorted(steep))]


def numbers(top: int) -> st.SearchStrategy[list[tuple[int, int]]]:
    return st.lists(st.tuples(st.integers(-top, top), st.integers(-top, top)), min_size=3, max_size=25)


@pytest.mark.parametrize(("top", "scale"), [(4, 1), (60, 100), (10**6, 1000), (10**14, 10)])
def test_every_rank_equals_the_rational_list_with_heavy_and_light_ties(top: int, scale: int) -> None:
    @settings(derandomize=True, deadline=None, max_examples=60)
    @given(numbers(top), st.integers(0, 2**31))
    def check(points: list[tuple[int, int]], seed: int) -> None:
        x = [Fraction(a, scale) for a, _ in points]
        y = [Fraction(b, scale) for _, b in points]
        ranks = SlopeRanks(np.array([float(v) for v in x]), np.array([float(v) for v in y]), seed)
        expected = exact_slopes(x, y)
        assert ranks.exact
        assert ranks.total == len(expected)
        assert ranks.total + ranks.dropped_identical + ranks.dropped_minus_one == len(x) * (len(x) - 1) // 2
        assert ranks.below_minus_one() == sum(value < -1 for value in expected)
        if expected:
            chosen = sorted({1, len(expected), *np.random.default_rng(seed).integers(1, len(expected) + 1, 8).tolist()})
            assert ranks.at(chosen) == [expected[k - 1] for k in chosen]

    check()


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 2**31), st.integers(3, 30))
def test_numbers_of_full_length_equal_the_list(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    y = 1.3 * x + 0.3 * rng.normal(size=n)
    ranks = SlopeRanks(x, y)
    assert not ranks.exact
    chosen = sorted({1, ranks.total, *rng.integers(1, ranks.total + 1, 12).tolist()})
    assert ranks.at(chosen) == ranks.listed()[np.array(chosen) - 1].tolist()


def test_slopes_of_minus_one_that_floats_miss_are_found() -> None:
    # 0.3 - 0.1 is not 0.2 in doubles: the naive slopes are -1.0000000000000002 and the like.
    x, y = np.array([0.1, 0.3, 0.7]), np.array([0.9, 0.7, 0.3])
    with np.errstate(all="raise"):
        naive = [(y[j] - y[i]) / (x[j] - x[i]) for i, j in ((0, 1), (0, 2), (1, 2))]
    assert any(value != -1.0 for value in naive)
    assert SlopeRanks(x, y).dropped_minus_one == 3


def test_sums_that_differ_by_rounding_alone_are_tied_in_floating_point() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(size=40)
    y = 2.0 - x
    ranks = SlopeRanks(x, y)
    assert not ranks.exact
    assert ranks.dropped_minus_one == 40 * 39 // 2


@pytest.mark.parametrize("scale", [1.0, 1e-12, 1e12])
def test_decimals_are_recovered_at_any_scale(scale: float) -> None:
    x, y = np.array([1.25, 3.5, 7.125]) * scale, np.array([2.0, 4.75, 9.5]) * scale
    written = [float(f"{v:.15g}") for v in (*x, *y)]
    whole = scaled_integers(np.array(written[:3]), np.array(written[3:]))
    assert whole is not None
    assert Fraction(int(whole[0][1] - whole[0][0]), int(whole[0][2] - whole[0][0])) == Fraction(225, 587) * Fraction(
        587 * 1000 * 2, 5875 * 2 * 100
    )


def test_numbers_with_too_many_digits_are_not_called_decimals() -> None:
    assert scaled_integers(np.array([1 / 3, 2.0]), np.array([1.0, 2.0])) is None
    assert scaled_integers(np.array([1e300, 2.0]), np.array([1.0, 2.0])) is None


def test_the_compiled_sort_equals_its_python_source() -> None:
    rng = np.random.default_rng(1)
    for n in (1, 2, 7, 50):
        keys = rng.integers(0, 8, n)
        loop = slopes._merge_pairs
        none = np.empty(0, dtype=np.int64)
        count = merge_pairs(keys, none, none, none)
        assert count == sum(int(keys[i] > keys[j]) for i in range(n) for j in range(i + 1, n))
        picks = np.arange(count, dtype=np.int64)
        found = [np.empty((2, count), dtype=np.int64) for _ in range(2)]
        assert merge_pairs(keys, picks, *found[0]) == loop(keys, picks, *found[1]) == count
        assert np.array_equal(*found)
        assert {(int(i), int(j)) for i, j in found[0].T} == {
            (i, j) for i in range(n) for j in range(i + 1, n) if keys[i] > keys[j]
        }


def test_a_rank_outside_is_refused() -> None:
    with pytest.raises(InputError, match="rank of a slope"):
        SlopeRanks(np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0, 4.0])).at([4])
