"""Intervals: exact values, against general-purpose libraries, and their edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from stanch.errors import InputError
from stanch.verify.intervals import checked, flags, mean_interval, score_ends, sd_interval, share_interval
from stanch.verify.records import Bounded

LIVE = settings(derandomize=True, deadline=None, max_examples=60)
SAMPLES = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30)


@LIVE
@given(SAMPLES, st.floats(0.5, 0.999))
def test_mean_against_scipy(values: list[float], level: float) -> None:
    found = mean_interval(values, level=level)
    assume(np.std(values) > 1e-6)
    low, high = stats.t.interval(level, len(values) - 1, np.mean(values), stats.sem(values))
    assert found.value == pytest.approx(np.mean(values), rel=1e-12, abs=1e-9)
    assert found.low == pytest.approx(low, rel=1e-9, abs=1e-9)
    assert found.high == pytest.approx(high, rel=1e-9, abs=1e-9)


def test_mean_of_one_two_three() -> None:
    # With two degrees of freedom t has a closed form, (2p - 1) sqrt(2 / (4p(1 - p))); the standard error is 1/sqrt(3).
    found = mean_interval([1.0, 2.0, 3.0], unit="Pa")
    half = 0.95 * math.sqrt(2 / (4 * 0.975 * 0.025)) / math.sqrt(3)
    assert found.low == pytest.approx(2 - half, rel=1e-12)
    assert found.high == pytest.approx(2 + half, rel=1e-12)
    assert found.unit == "Pa"


def test_one_value_has_a_mean_without_interval() -> None:
    found = mean_interval([4.0])
    assert (found.value, found.low, found.high) == (4.0, None, None)
    assert found.why


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_scale_passes_through(scale: float) -> None:
    values = np.array([1.0, 2.5, 3.0, 7.0])
    one, many = mean_interval(values), mean_interval(values * scale)
    assert many.low == pytest.approx(one.low * scale, rel=1e-12)  # type: ignore[operator]


def test_constant_values_have_an_interval_of_no_width() -> None:
    found = mean_interval([0.1] * 7)
    assert found.low == pytest.approx(0.1, rel=1e-15)
    assert found.high == pytest.approx(0.1, rel=1e-15)


@LIVE
@given(st.floats(1e-9, 1e9), st.floats(0.5, 500), st.floats(0.5, 0.99))
def test_sd_against_scipy(sd: float, df: float, level: float) -> None:
    two = sd_interval(sd, df, level=level)
    tail = (1 - level) / 2
    assert two.low == pytest.approx(sd * math.sqrt(df / stats.chi2.isf(tail, df)), rel=1e-9)
    assert two.high == pytest.approx(sd * math.sqrt(df / stats.chi2.ppf(tail, df)), rel=1e-9)
    upper = sd_interval(sd, df, level=level, side="upper")
    assert upper.low is None
    assert upper.high == pytest.approx(sd * math.sqrt(df / stats.chi2.ppf(1 - level, df)), rel=1e-9)
    lower = sd_interval(sd, df, level=level, side="lower")
    assert lower.high is None
    assert lower.low == pytest.approx(sd * math.sqrt(df / stats.chi2.ppf(level, df)), rel=1e-9)


def test_sd_with_hardly_any_degrees_of_freedom_is_open_above() -> None:
    found = sd_interval(2.0, 0.005)
    assert found.high is None
    assert found.why
    assert sd_interval(2.0, 0.005, side="upper").high is None


@pytest.mark.parametrize("df", [0.0, -1.0, math.nan, math.inf])
def test_sd_without_degrees_of_freedom_is_missing(df: float) -> None:
    assert sd_interval(2.0, df).value is None


@LIVE
@given(st.integers(1, 400), st.floats(0, 1), st.floats(0.5, 0.999))
def test_shares_against_statsmodels(of: int, part: float, level: float) -> None:
    count = round(part * of)
    for ours, theirs in (("exact", "beta"), ("score", "wilson")):
        low, high = proportion_confint(count, of, alpha=1 - level, method=theirs)
        found = share_interval(count, of, level=level, method=ours)  # type: ignore[arg-type]
        assert found.value == count / of
        assert found.low == pytest.approx(min(low, count / of), rel=1e-9, abs=1e-12)
        assert found.high == pytest.approx(max(high, count / of), rel=1e-9, abs=1e-12)


def test_shares_at_the_ends() -> None:
    none, every = share_interval(0, 10), share_interval(10, 10)
    # Exact ends have a closed form there: 1 - 0.025^(1/10).
    assert none.low == 0.0
    assert none.high == pytest.approx(1 - 0.025**0.1, rel=1e-12)
    assert every.low == pytest.approx(0.025**0.1, rel=1e-12)
    assert every.high == 1.0


@pytest.mark.parametrize(("count", "of"), [(-1, 5), (6, 5), (0, 0)])
def test_shares_that_cannot_be(count: int, of: int) -> None:
    with pytest.raises(InputError):
        share_interval(count, of)


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0, -0.1, math.nan])
def test_a_level_is_a_probability(level: float) -> None:
    for ask in (lambda: mean_interval([1, 2], level=level), lambda: sd_interval(1, 3, level=level)):
        with pytest.raises(InputError, match="level"):
            ask()
    with pytest.raises(InputError, match="level"):
        share_interval(1, 2, level=level)


@pytest.mark.parametrize(
    ("values", "words"),
    [([], "at least 1"), ([1.0, math.nan], "1 values that are not finite"), ([[1.0]], "2 dimensions")],
)
def test_values_are_checked(values: list[float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        checked(values, "values")


def test_bounded_numbers_refuse_nonsense_and_forgive_rounding() -> None:
    for wrong in ({"value": math.nan}, {"value": 1.0, "high": math.inf}, {"value": None}):
        with pytest.raises(InputError):
            Bounded(**wrong)
    with pytest.raises(InputError):
        Bounded(1.0, 2.0, 1.0)
    turned = Bounded(0.3, 0.1 + 0.2, 0.3)
    assert turned.low == 0.3
    assert turned.high == 0.1 + 0.2


def test_flags_are_one_for_each_value() -> None:
    assert flags(None, 3, "bounds").tolist() == [False, False, False]
    assert flags([1, 0], 2, "bounds").tolist() == [True, False]
    with pytest.raises(InputError, match="flags of bounds; got 1 flags; allowed: 2"):
        flags([True], 2, "bounds")


def test_score_ends_of_many_shares_are_those_of_each() -> None:
    low, high = score_ends([0.0, 0.3, 1.0], 10, 0.95)
    for k, count in enumerate((0, 3, 10)):
        one = share_interval(count, 10, method="score")
        assert (one.low, one.high) == (low[k], high[k])
