import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.control import (
    c4,
    cumulative_sums,
    d2,
    d3,
    duplicates,
    individuals,
    moving_ranges,
    scale,
    subgroups,
    weighted_averages,
)

QUIET = settings(derandomize=True, deadline=None, max_examples=60)
SERIES = st.lists(st.floats(-1e3, 1e3, allow_subnormal=False), min_size=3, max_size=60)


def test_constants_have_their_closed_forms() -> None:
    assert d2(2) == pytest.approx(2 / math.sqrt(math.pi), rel=1e-14)
    assert d2(3) == pytest.approx(3 / math.sqrt(math.pi), rel=1e-12)
    assert d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-11)
    assert c4(2) == pytest.approx(math.sqrt(2 / math.pi), rel=1e-14)
    assert c4(10_000) == pytest.approx(c4(10_001), rel=1e-8)
    assert d2(2, rounded=True) == 1.128
    assert d2(5, rounded=True) == 2.326


@pytest.mark.parametrize("n", [1, 0, 2.5])
def test_constants_of_less_than_two_are_refused(n: float) -> None:
    for of in (c4, d2, d3):
        with pytest.raises(InputError, match="sample size"):
            of(n)  # type: ignore[arg-type]


def test_individuals_by_hand() -> None:
    chart = individuals([10.0, 12.0, 11.0, 30.0], baseline=[True, True, True, False], rounded=True)
    assert chart.centre == 11.0
    assert chart.sigma == pytest.approx(1.5 / 1.128, rel=1e-15)
    assert chart.high[0] == pytest.approx(11 + 4.5 / 1.128, rel=1e-15)
    assert chart.signal.tolist() == [False, False, False, True]


def test_limits_are_strict() -> None:
    chart = individuals([3.0, -3.0, 3.0000001], centre=0.0, sigma=1.0)
    assert chart.signal.tolist() == [False, False, True]


def test_three_ways_to_a_standard_deviation() -> None:
    x = [1.0, 3.0, 101.0, 103.0]
    assert scale(x, method="pooled runs", run=["a", "a", "b", "b"]) == pytest.approx(math.sqrt(2))
    assert scale(x, method="sd") == pytest.approx(np.std(x, ddof=1))
    assert scale(x, rounded=True) == pytest.approx((2 + 98 + 2) / 3 / 1.128)
    assert scale(x, span=3) == pytest.approx((100 + 100) / 2 / d2(3))


@pytest.mark.parametrize("factor", [1e-12, 1.0, 1e12])
def test_scale_and_shift_change_nothing(factor: float) -> None:
    x = np.array([5.1, 4.9, 5.3, 5.0, 4.4, 5.2, 5.1, 9.0])
    one, two = individuals(x), individuals(factor * (x + 2))
    assert np.allclose(two.high, factor * (one.high + 2), rtol=1e-9)
    assert (one.signal == two.signal).all()


@QUIET
@given(SERIES, st.floats(0.0, 2.0), st.floats(0.1, 5.0), st.floats(0.0, 0.99))
def test_cumulative_sums_are_the_recursion(x: list[float], k: float, h: float, head: float) -> None:
    found = cumulative_sums(x, target=0.0, k=k, h=h, headstart=head * h)
    high = low = head * h
    for i, value in enumerate(x):
        high, low = max(0.0, high + value - k), max(0.0, low - value - k)
        assert found.high[i] == pytest.approx(high, abs=1e-9)
        assert found.low[i] == pytest.approx(low, abs=1e-9)


@QUIET
@given(SERIES, st.floats(0.01, 1.0))
def test_weighted_averages_are_the_recursion(x: list[float], weight: float) -> None:
    found = weighted_averages(x, centre=7.0, sigma=1.0, weight=weight, start=3.0)
    z, left = 3.0, 1.0
    for i, value in enumerate(x):
        z, left = weight * value + (1 - weight) * z, left * (1 - weight) ** 2
        assert found.value[i] == pytest.approx(z, abs=1e-9)
        variance = weight / (2 - weight) * (1 - left)
        assert found.high[i] == pytest.approx(7 + 3 * math.sqrt(variance), rel=1e-9)


def test_a_weight_of_one_is_the_chart_of_results() -> None:
    x = [1.0, 4.0, -4.0]
    found = weighted_averages(x, centre=0.0, sigma=1.0, weight=1.0)
    assert found.value.tolist() == x
    assert np.allclose(found.high, 3.0)


def test_subgroups_of_unequal_size_have_limits_of_their_own() -> None:
    x = [1.0, 2.0, 3.0, 5.0, 4.0, 6.0, 9.0]
    found = subgroups(x, ["a", "b", "a", "a", "b", "b", "c"])
    assert found.names == ("a", "b", "c")
    assert found.size.tolist() == [3, 3, 1]
    assert found.mean.value.tolist() == pytest.approx([3.0, 4.0, 9.0])
    assert found.spread.value[:2].tolist() == [4.0, 4.0]
    assert math.isnan(found.spread.value[2])
    assert not found.spread.signal[2]
    assert found.mean.sigma == pytest.approx(4 / d2(3))
    assert found.mean.high[2] - found.mean.centre == pytest.approx(3 * found.mean.sigma)
    assert found.mean.high[0] - found.mean.centre == pytest.approx(3 * found.mean.sigma / math.sqrt(3))


def test_subgroups_by_standard_deviation() -> None:
    x = np.random.default_rng(2).normal(10, 2, 40)
    group = np.repeat(np.arange(10), 4)
    found = subgroups(x, group, by="sd")
    sds = x.reshape(10, 4).std(axis=1, ddof=1)
    assert np.allclose(found.spread.value, sds)
    assert found.mean.sigma == pytest.approx(sds.mean() / c4(4))
    assert found.spread.high[0] == pytest.approx((c4(4) + 3 * math.sqrt(1 - c4(4) ** 2)) * found.mean.sigma)


def test_moving_ranges_chart() -> None:
    chart = moving_ranges([0.0, 1.0, 10.0], 1.0)
    assert chart.value.tolist() == [1.0, 9.0]
    assert chart.high[0] == pytest.approx(d2(2) + 3 * d3(2))
    assert chart.low[0] == 0.0
    assert chart.signal.tolist() == [False, True]


def test_duplicates_on_the_log_scale() -> None:
    first, second = np.array([100.0, 200.0, 50.0]), np.array([110.0, 180.0, 50.0])
    found = duplicates(first, second)
    logs = np.log(second / first)
    assert found.sd.value == pytest.approx(math.sqrt((logs**2).mean() / 2))
    assert found.cv is not None
    assert found.sd.value is not None
    assert found.cv.value == pytest.approx(math.sqrt(math.expm1(found.sd.value**2)))
    swapped = duplicates(second, first)
    assert np.allclose(swapped.difference.value, -found.difference.value)
    assert np.allclose(swapped.range.value, found.range.value)
    assert swapped.sd == found.sd


def test_duplicates_with_their_own_mean_lose_a_degree_of_freedom() -> None:
    found = duplicates([1.0, 2.0, 3.0], [2.0, 4.0, 3.0], scale="linear", centre=None, unit="Pa")
    assert found.sd.value == pytest.approx(math.sqrt(2 / 2 / 2))
    assert found.cv is None


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: individuals([5.0, 5.0, 5.0]), "standard deviation"),
        (lambda: individuals([5.0]), "baseline"),
        (lambda: individuals([5.0, math.nan]), "not finite"),
        (lambda: individuals([5.0, 6.0], baseline=[True]), "baseline"),
        (lambda: scale([1.0, 2.0], method="pooled runs"), "runs"),
        (lambda: scale([1.0, 2.0], method="pooled runs", run=["a", "b"]), "runs"),
        (lambda: scale([1.0, 2.0], span=3), "span"),
        (lambda: cumulative_sums([1.0], target=0, k=-1, h=1), "allowance"),
        (lambda: cumulative_sums([1.0], target=0, k=1, h=0), "decision limit"),
        (lambda: cumulative_sums([1.0], target=0, k=1, h=2, headstart=2), "headstart"),
        (lambda: weighted_averages([1.0], centre=0, sigma=1, weight=0), "weight"),
        (lambda: subgroups([1.0, 2.0], ["a", "b"]), "baseline subgroups"),
        (lambda: subgroups([1.0, 1.0], ["a", "a"]), "standard deviation"),
        (lambda: duplicates([1.0, -2.0], [1.0, 2.0]), "above zero"),
        (lambda: duplicates([1.0, 2.0], [1.0, 2.0]), "standard deviation"),
        (lambda: duplicates([1.0, 2.0], [1.0]), "as many"),
    ],
)
def test_what_cannot_be_charted_is_refused(call: object, match: str) -> None:
    with pytest.raises(InputError, match=match):
        call()  # type: ignore[operator]


def test_a_million_results() -> None:
    x = np.random.default_rng(3).normal(1e6, 1.0, 1_000_000)
    chart = individuals(x, centre=1e6, sigma=1.0)
    assert abs(chart.signal.mean() - 0.0027) < 0.0003
    sums = cumulative_sums(x, target=1e6, k=0.5, h=5.0)
    assert 0 < sums.signal_high.mean() < 0.02
    average = weighted_averages(x, centre=1e6, sigma=1.0)
    assert 0 < average.signal.mean() < 0.02
