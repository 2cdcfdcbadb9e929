"""Probabilities beyond limits, censored samples included."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.estimate import Estimate
from stanch.findings.limits import Truth, beyond, probability, with_systematic

INF = math.inf


def truth(surely: list[bool], possibly: list[bool] | None = None) -> Truth:
    return Truth(np.array(surely), np.array(possibly if possibly is not None else surely))


def test_probability_is_never_nought_or_one() -> None:
    assert probability(np.zeros(9, bool)) == 0.05
    assert probability(np.ones(9, bool)) == 0.95


def test_a_sample_on_the_limit_is_not_beyond_it() -> None:
    x = np.array([1.0, 2.0, 3.0])
    assert beyond(x, 2.0, "above").surely.tolist() == [False, False, True]
    assert beyond(x, 2.0, "below").surely.tolist() == [True, False, False]


def test_not_reached_counts_as_above_where_the_run_went_past_the_limit() -> None:
    x = np.array([100.0, 900.0, INF])
    found = beyond(x, 600.0, "above")
    assert found.surely.tolist() == found.possibly.tolist() == [False, True, True]


def test_not_reached_is_left_open_where_the_run_ended_before_the_limit() -> None:
    x = np.array([100.0, 500.0, INF])
    found = beyond(x, 600.0, "above")
    assert found.surely.tolist() == [False, False, False]
    assert found.possibly.tolist() == [False, False, True]
    below = beyond(x, 600.0, "below")
    assert below.surely.tolist() == [True, True, False]
    assert below.possibly.tolist() == [True, True, True]


def test_the_end_of_the_run_comes_from_a_censored_estimate() -> None:
    x = np.full(5, INF)
    end = Estimate(None, 3600.0, None, "s", "above", why="Not reached by the end of the run.")
    assert beyond(x, 600.0, "above", end).surely.all()
    assert not beyond(x, 7200.0, "above", end).surely.any()
    assert beyond(x, 7200.0, "above", end).possibly.all()


def test_before_the_start_counts_as_below_where_the_start_is_below_the_limit() -> None:
    x = np.full(5, -INF)
    start = Estimate(None, None, 20.0, "s", "below", why="Already passed at the first push.")
    assert beyond(x, 60.0, "below", start).surely.all()
    assert not beyond(x, 10.0, "below", start).surely.any()
    assert beyond(x, 10.0, "below", start).possibly.all()
    assert not beyond(x, 60.0, "above", start).possibly.any()


@pytest.mark.parametrize(("samples", "limit"), [([], 1.0), ([math.nan], 1.0), ([1.0], INF)])
def test_what_is_no_number_is_refused(samples: list[float], limit: float) -> None:
    with pytest.raises(InputError, match="samples or limit"):
        beyond(np.array(samples), limit, "above")


def test_truths_combine_as_three_valued_statements() -> None:
    yes, no, open_ = (True, True), (False, False), (False, True)
    table = {(yes, open_): (open_, yes), (no, open_): (no, open_), (yes, no): (no, yes), (open_, open_): (open_, open_)}
    for (a, b), (both, either) in table.items():
        left, right = truth([a[0]], [a[1]]), truth([b[0]], [b[1]])
        for found, wanted in ((left & right, both), (left | right, either)):
            assert (bool(found.surely[0]), bool(found.possibly[0])) == wanted
    inverted = ~truth([False], [True])
    assert (bool(inverted.surely[0]), bool(inverted.possibly[0])) == open_


@given(st.lists(st.floats(-1e6, 1e6) | st.just(INF) | st.just(-INF), min_size=1, max_size=30), st.floats(-1e6, 1e6))
def test_above_below_and_on_the_limit_share_every_sample(samples: list[float], limit: float) -> None:
    x = np.array(samples)
    above, below = beyond(x, limit, "above"), beyond(x, limit, "below")
    assert not (above.surely & below.surely).any()
    on = x == limit
    assert (above.possibly | below.possibly | on).all()
    assert (above.surely <= above.possibly).all()


def test_systematic_widens_and_is_common_to_all_readings() -> None:
    common = np.random.default_rng(1).standard_normal(20_000)
    x = np.full(20_000, 100.0)
    wide = with_systematic(x, 0.05, common)
    # Standard error of a standard deviation of n normal numbers: sd/sqrt(2n), here 0.5 %; five of them are allowed.
    assert abs(np.std(np.log(wide)) / 0.05 - 1) < 0.025
    assert np.array_equal(with_systematic(x, None, common), x)
    assert np.allclose(with_systematic(2 * x, 0.05, common) / wide, 2.0, rtol=1e-12)
