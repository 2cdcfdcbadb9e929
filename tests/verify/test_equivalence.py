"""Two one-sided tests: exact values, against statsmodels live, and what swapping, shifting and scaling must do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from stanch.errors import InputError
from stanch.verify.equivalence import outcome, paired, ratio_paired, together, unpaired
from stanch.verify.records import Bounded

LIVE = settings(derandomize=True, deadline=None, max_examples=60)
NUMBERS = st.floats(-1e4, 1e4)
PAIRS = st.lists(st.tuples(NUMBERS, NUMBERS), min_size=3, max_size=25)
GROUP = st.lists(NUMBERS, min_size=3, max_size=20)


@LIVE
@given(PAIRS, st.floats(0.1, 1e4), st.floats(0.1, 1e4))
def test_pairs_against_statsmodels(pairs: list[tuple[float, float]], down: float, up: float) -> None:
    x, y = np.array(pairs).T
    assume(np.std(y - x) > 1e-3)
    found = paired(x, y, lower=-down, upper=up)
    p, lower, upper = ttost_paired(y, x, -down, up)
    assert found.p == pytest.approx(p, rel=1e-8, abs=1e-12)
    assert found.p_lower == pytest.approx(lower[1], rel=1e-8, abs=1e-12)
    assert found.p_upper == pytest.approx(upper[1], rel=1e-8, abs=1e-12)


@LIVE
@given(GROUP, GROUP, st.floats(0.1, 1e4), st.booleans())
def test_groups_against_statsmodels(one: list[float], two: list[float], margin: float, pooled: bool) -> None:
    assume(min(np.std(one), np.std(two)) > 1e-3)
    found = unpaired(one, two, lower=-margin, upper=margin, pooled=pooled)
    p, _, upper = ttost_ind(np.array(two), np.array(one), -margin, margin, usevar="pooled" if pooled else "unequal")
    assert found.p == pytest.approx(p, rel=1e-7, abs=1e-12)
    assert found.df == pytest.approx(upper[2], rel=1e-9)


@LIVE
@given(PAIRS, st.floats(0.1, 1e4), st.floats(0.01, 0.2))
def test_both_tests_reject_exactly_when_the_interval_lies_inside(
    pairs: list[tuple[float, float]], margin: float, alpha: float
) -> None:
    x, y = np.array(pairs).T
    assume(np.std(y - x) > 1e-3)
    found = paired(x, y, lower=-margin, upper=margin, alpha=alpha)
    assert found.p is not None
    assume(abs(found.p - alpha) > 1e-9)
    assert (found.outcome == "met") == (found.p < alpha)
    assert found.difference.level == pytest.approx(1 - 2 * alpha)


@LIVE
@given(PAIRS)
def test_swapping_turns_the_sign_and_shifting_changes_nothing(pairs: list[tuple[float, float]]) -> None:
    x, y = np.array(pairs).T
    one, two, moved = (paired(*p, lower=-5, upper=5) for p in ((x, y), (y, x), (x + 100, y + 100)))
    assert two.difference.value == pytest.approx(-one.difference.value, abs=1e-9)  # type: ignore[operator]
    assert two.difference.low == pytest.approx(-one.difference.high, abs=1e-9)  # type: ignore[operator]
    assert moved.difference.value == pytest.approx(one.difference.value, abs=1e-8)
    assert two.p_lower == pytest.approx(one.p_upper, abs=1e-9)


def test_four_pairs_by_hand() -> None:
    # Differences 1, 2, 3, 4: mean 2.5, SD sqrt(5/3), se sqrt(5/12); t(0.95; 3) = 2.353363434801823.
    found = paired([0, 0, 0, 0], [1, 2, 3, 4], lower=-5, upper=5, unit="Pa")
    se = math.sqrt(5 / 12)
    assert found.se == pytest.approx(se, rel=1e-14)
    assert found.difference.value == 2.5
    assert found.difference.low == pytest.approx(2.5 - 2.353363434801823 * se, rel=1e-12)
    assert (found.df, found.n, found.outcome, found.difference.unit) == (3.0, 4, "met", "Pa")


@pytest.mark.parametrize("scale", [1e-150, 1e-12, 1.0, 1e12])
def test_welch_degrees_of_freedom_do_not_depend_on_the_scale(scale: float) -> None:
    one, two = np.array([1.0, 2.0, 4.0]), np.array([3.0, 7.0, 8.0, 8.5])
    assert unpaired(one * scale, two * scale).df == pytest.approx(unpaired(one, two).df, rel=1e-9)


def test_scatter_that_was_not_seen_is_unknown_not_zero() -> None:
    for after in ([2, 3, 4], [4, 5, 6]):
        found = paired([1, 2, 3], after, lower=-2, upper=2)
        assert (found.p, found.outcome, found.se) == (None, "undecided", 0.0)
    assert unpaired([1, 1], [1, 1], lower=-1, upper=1).outcome == "undecided"
    # A constant ratio whose logarithms differ by rounding only.
    assert ratio_paired([1.0, 2.0, 3.0], [1.01, 2.02, 3.03], margin=1.1).outcome == "undecided"
    assert outcome(Bounded(1.0, 1.0, 1.0), 0.0, 2.0, point=True) == "met"


def test_ratio_is_the_difference_of_logarithms() -> None:
    x, y = np.array([1.0, 2.0, 5.0, 9.0]), np.array([1.1, 2.3, 5.2, 9.9])
    found = ratio_paired(x, y, margin=1.25)
    logs = paired(np.log(x), np.log(y), lower=-math.log(1.25), upper=math.log(1.25))
    assert found.difference.value == pytest.approx(math.exp(np.mean(np.log(y / x))), rel=1e-12)
    assert found.difference.high == pytest.approx(math.exp(logs.difference.high), rel=1e-12)  # type: ignore[arg-type]
    assert (found.p, found.outcome) == (logs.p, logs.outcome)
    other = ratio_paired(y, x, margin=1.25)
    assert other.difference.value == pytest.approx(1 / found.difference.value, rel=1e-12)  # type: ignore[operator]
    assert other.p == pytest.approx(found.p, rel=1e-9)
    assert ratio_paired(x * 1e-12, y * 1e-12).difference.value == pytest.approx(found.difference.value, rel=1e-9)


def test_without_margin_there_is_an_interval_and_no_verdict() -> None:
    found = paired([1, 2, 3], [2, 2, 5])
    assert (found.p, found.outcome) == (None, "no limit stated")
    assert found.difference.low is not None


@pytest.mark.parametrize(
    ("low", "high", "lower", "upper", "said"),
    [
        *((-1.0, 1.0, -2.0, 2.0, "met"), (-3.0, 1.0, -2.0, 2.0, "undecided"), (3.0, 4.0, -2.0, 2.0, "not met")),
        *((-4.0, -3.0, -2.0, 2.0, "not met"), (-2.0, 1.0, -2.0, 2.0, "undecided"), (-1.0, 1.0, None, 2.0, "met")),
        *((None, 1.0, None, 2.0, "met"), (None, 3.0, None, 2.0, "undecided"), (1.0, None, 0.0, None, "met")),
        *((3.0, None, None, 2.0, "not met"), (None, 1.0, 2.0, None, "not met"), (None, None, None, 2.0, "undecided")),
        (-1.0, 1.0, None, None, "no limit stated"),
    ],
)
def test_outcomes(low: float | None, high: float | None, lower: float | None, upper: float | None, said: str) -> None:
    assert outcome(Bounded(0.5, low, high), lower, upper) == said


def test_a_missing_value_is_undecided() -> None:
    assert outcome(Bounded.missing("No data."), -1, 1) == "undecided"


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: paired([1], [2]), "at least 2"),
        (lambda: paired([1, 2], [1, 2, 3]), "2 and 3"),
        (lambda: paired([1, math.nan], [1, 2]), "not finite"),
        (lambda: paired([1, 2], [1, 3], lower=1, upper=-1), "lower < upper"),
        (lambda: paired([1, 2], [1, 3], alpha=0.5), "alpha"),
        (lambda: ratio_paired([1, 0], [1, 2]), "above zero"),
        (lambda: ratio_paired([1, 2], [1, 2], margin=0.8), "above 1"),
        (lambda: unpaired([1], [1, 2]), "first group"),
    ],
)
def test_refusals(call: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        call()  # type: ignore[operator]


def test_a_claim_holds_when_all_of_its_parts_do() -> None:
    assert together(["met", "met"]) == "met"
    assert together(["met", "undecided"]) == "undecided"
    assert together(["undecided", "not met", "met"]) == "not met"
    assert together(["not met", "no limit stated"]) == "no limit stated"


def test_an_interval_without_width_says_why() -> None:
    from stanch.verify.intervals import NO_SCATTER, mean_interval, sd_interval

    assert paired([1.0, 2.0], [1.5, 2.5], lower=-1, upper=1).difference.why == NO_SCATTER
    assert ratio_paired([1.0, 2.0], [2.0, 4.0], margin=3).difference.why == NO_SCATTER
    assert mean_interval([3.0, 3.0, 3.0]).why == NO_SCATTER
    assert sd_interval(0.0, 4.0).why == NO_SCATTER
    assert paired([1.0, 2.0], [1.5, 2.6], lower=-1, upper=1).difference.why == ""
