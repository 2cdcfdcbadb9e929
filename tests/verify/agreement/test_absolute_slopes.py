"""Ranks of absolute slopes without the list, and the line made from their median."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.agreement import passing_bablok, slopes
from stanch.verify.agreement.absolute_slopes import AbsoluteSlopeRanks


@pytest.fixture(autouse=True)
def small_lists(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lists so short that every round of narrowing is walked through."""
    monkeypatch.setattr(slopes, "LISTED", 12)
    monkeypatch.setattr(slopes, "SAMPLED", 9)


@pytest.mark.parametrize(("top", "scale"), [(4, 1), (60, 100), (10**6, 1000), (10**14, 10)])
def test_every_rank_equals_the_rational_list(top: int, scale: int) -> None:
    one = st.tuples(st.integers(-top, top), st.integers(-top, top))

    @settings(derandomize=True, deadline=None, max_examples=40)
    @given(st.lists(one, min_size=3, max_size=20), st.integers(0, 2**31))
    def check(points: list[tuple[int, int]], seed: int) -> None:
        exact = [(Fraction(a, scale), Fraction(b, scale)) for a, b in points]
        steps = [(c - a, d - b) for (a, b), (c, d) in combinations(exact, 2) if (a, b) != (c, d)]
        expected = sorted(float("inf") if dx == 0 else float(abs(dy / dx)) for dx, dy in steps)
        x, y = (np.array([float(p[k]) for p in exact]) for k in (0, 1))
        ranks = AbsoluteSlopeRanks(x, y, seed)
        assert ranks.total == len(expected)
        if expected:
            chosen = sorted({1, len(expected), *np.random.default_rng(seed).integers(1, len(expected) + 1, 6).tolist()})
            assert ranks.at(chosen) == [expected[k - 1] for k in chosen]

    check()


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 2**31), st.integers(3, 30))
def test_numbers_of_full_length_equal_the_list(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    ranks = AbsoluteSlopeRanks(x, 40 * x + 9 * rng.normal(size=n))
    assert not ranks.exact
    chosen = sorted({1, ranks.total, *rng.integers(1, ranks.total + 1, 12).tolist()})
    assert ranks.at(chosen) == ranks.listed()[np.array(chosen) - 1].tolist()


def sample(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(10, 100, n)
    return np.round(true + rng.normal(size=n), 2), np.round(2 + 1.1 * true + rng.normal(size=n), 2)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 10**6), st.integers(12, 40), st.sampled_from([1e-6, 0.01, 37.5, 1e9]))
def test_a_change_of_one_unit_changes_that_unit_only(seed: int, n: int, factor: float) -> None:
    x, y = sample(seed, n)
    one, two = (passing_bablok(x, v, relation="general", bias_interval="influence").line for v in (y, y * factor))
    assert two.b == pytest.approx(one.b * factor, rel=1e-12)
    assert two.a == pytest.approx(one.a * factor, rel=1e-7)
    assert two.slope.low == pytest.approx((one.slope.low or 0) * factor, rel=1e-12)
    assert two.bias_at(0.0).high == pytest.approx((one.bias_at(0.0).high or 0) * factor, rel=1e-6, abs=1e-9 * factor)


def test_near_slope_one_both_relations_agree() -> None:
    x, y = sample(3, 200)
    one, two = (passing_bablok(x, y, relation=kind, bias_interval="influence").line for kind in ("same", "general"))  # type: ignore[arg-type]
    assert two.b == pytest.approx(one.b, abs=0.003)
    widths = [line.slope.high - line.slope.low for line in (one, two) if line.slope.high and line.slope.low]
    assert widths[1] == pytest.approx(widths[0], rel=0.15)


def test_falling_methods_are_refused_although_sizes_have_no_sign() -> None:
    x, y = sample(4, 30)
    with pytest.raises(InputError, match="rise together"):
        passing_bablok(x, -y, relation="general", bias_interval="none")


def test_an_unknown_relation_is_refused() -> None:
    x, y = sample(5, 10)
    with pytest.raises(InputError, match="relation"):
        passing_bablok(x, y, relation="any")  # type: ignore[arg-type]
