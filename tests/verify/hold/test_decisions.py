"""Decisions at a limit: counts by hand, kappa against scikit-learn, open plateaus."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from stanch.verify.hold import decisions
from stanch.verify.intervals import share_interval


def test_counts_and_intervals_by_hand():
    p = [1.0, 1, 1, 3, 3, 3, 3]
    y = [1.0, 1, 3, 1, 3, 3, 3]
    found = decisions(p, y, [False] * 7, np.arange(7), 2.0, resamples=50)
    assert found.counts == (2, 1, 1, 3)
    assert found.sensitivity == share_interval(2, 3, level=0.9)
    assert found.specificity == share_interval(3, 4, level=0.9)
    turned = decisions(p, y, [False] * 7, np.arange(7), 2.0, positive="above", resamples=50)
    assert turned.counts == (3, 1, 1, 2)
    assert turned.kappa.value == pytest.approx(found.kappa.value)


def test_open_plateaus_below_the_limit_decide_nothing():
    found = decisions([1.0, 3, 1, 3], [1.0, 1.5, 3, 3], [False, True, True, False], np.arange(4), 2.0, resamples=50)
    assert found.unknown == 1
    assert sum(found.counts) == 3
    assert found.counts == (1, 1, 0, 1)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_kappa_is_scikit_learns(seed):
    rng = np.random.default_rng(seed)
    y = rng.normal(size=40) + 5
    p = y + rng.normal(0, 0.5, 40)
    found = decisions(p, y, np.zeros(40, bool), np.repeat(np.arange(20), 2), 5.0, resamples=50)
    assert found.kappa.value == pytest.approx(cohen_kappa_score(p < 5, y < 5))


def test_a_number_at_the_limit_is_not_below_it():
    found = decisions([2.0, 1.0], [2.0, 1.0], [False] * 2, [0, 1], 2.0, resamples=50)
    assert found.counts == (1, 0, 0, 1)
    assert found.kappa.low is None


def test_one_sided_samples_say_why():
    found = decisions([3.0] * 5, [3.0] * 5, [False] * 5, np.arange(5), 2.0, resamples=50)
    assert found.sensitivity.why == "No plateau is positive."
    assert found.kappa.value is None


def test_donors_with_several_curves_widen_the_interval():
    rng = np.random.default_rng(0)
    own = rng.random(30) < 0.6
    y = np.repeat(np.where(np.arange(30) < 25, 1.0, 3.0), 4)
    p = np.repeat(np.where(own, 1.0, 3.0), 4)
    joined = decisions(p, y, np.zeros(120, bool), np.repeat(np.arange(30), 4), 2.0)
    alone = decisions(p, y, np.zeros(120, bool), np.arange(120), 2.0)
    assert joined.sensitivity.value == alone.sensitivity.value
    assert joined.sensitivity.low < alone.sensitivity.low


def test_nothing_wrong_among_donors_is_not_certainty():
    y = np.repeat([1.0, 3.0], 20)
    found = decisions(y, y, np.zeros(40, bool), np.repeat(np.arange(10), 4), 2.0)
    assert found.sensitivity.low == pytest.approx(share_interval(5, 5, level=0.9).low)
