"""Intraclass and within-subject correlations."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.precision import intraclass, within_subject_correlation


@given(st.integers(0, 1000), st.sampled_from([1e-12, 1.0, 1e12]))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_intraclass_is_free_of_unit_and_order(seed: int, unit: float) -> None:
    rng = np.random.default_rng(seed)
    target, reader = np.repeat(np.arange(8), 3), np.tile(np.arange(3), 8)
    y = rng.normal(size=8)[target] + 0.4 * rng.normal(size=3)[reader] + 0.5 * rng.normal(size=24)
    order = rng.permutation(24)
    one, other = intraclass(y, target, reader), intraclass((unit * (y + 7))[order], target[order], reader[order])
    for name in ("one_way", "two_way", "fixed", "one_way_mean", "two_way_mean", "fixed_mean"):
        a, b = getattr(one, name), getattr(other, name)
        assert b.value == pytest.approx(a.value, rel=1e-7, abs=1e-9)
        if a.low is not None:
            assert a.low <= a.value <= a.high
            assert b.low == pytest.approx(a.low, rel=1e-6, abs=1e-8)


def test_readers_who_agree_up_to_a_constant() -> None:
    target, reader = np.repeat(np.arange(5), 2), np.tile([0, 1], 5)
    found = intraclass(10.0 * target + 3.0 * reader, target, reader)
    assert found.fixed.value == pytest.approx(1)
    assert found.fixed.low is None or found.fixed.low == pytest.approx(1)
    assert found.two_way.value is not None
    assert found.two_way.value < 1
    # Targets of variance 250, readers of 4.5, nothing else.
    assert found.two_way.value == pytest.approx(250 / 254.5, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "target", "reader", "words"),
    [
        ([1.0, 2, 3], [1, 1, 2], [1, 2, 1], "every reader"),
        ([1.0, 1, 1, 1], [1, 1, 2, 2], [1, 2, 1, 2], "differ"),
        ([1.0, 2, 3, 4], [1, 1, 2, 2], [1, 1, 2, 2], "every reader"),
    ],
)
def test_incomplete_tables_are_refused(values: list[float], target: list[int], reader: list[int], words: str) -> None:
    with pytest.raises(InputError, match=words):
        intraclass(values, target, reader)


def test_subjects_with_opposite_levels_do_not_hide_the_slope_within() -> None:
    rng = np.random.default_rng(0)
    subject = np.repeat(np.arange(6), 5)
    x = rng.normal(size=30)
    y = 2 * x - 40 * subject + 0.1 * rng.normal(size=30)
    x = x + 20 * subject
    found = within_subject_correlation(x, y, subject)
    assert found.slope == pytest.approx(2, rel=0.05)
    assert found.r.value is not None
    assert found.r.value > 0.99
    assert found.df == 30 - 6 - 1
    assert np.corrcoef(x, y)[0, 1] < -0.9


def test_a_subject_seen_once_tells_nothing() -> None:
    rng = np.random.default_rng(1)
    subject = np.repeat(np.arange(4), 4)
    x, y = rng.normal(size=16), rng.normal(size=16)
    one = within_subject_correlation(x, y, subject)
    two = within_subject_correlation(np.append(x, 99.0), np.append(y, -99.0), np.append(subject, 9))
    assert two.r.value == pytest.approx(one.r.value, rel=1e-9)
    assert (two.df, two.n) == (one.df, 16)


@pytest.mark.parametrize(
    ("x", "y", "subject", "words"),
    [
        ([1.0, 2, 3], [1.0, 2, 3], [1, 2, 3], "repeated pairs"),
        ([1.0, 1, 2, 2, 2], [1.0, 2, 3, 4, 5], [1, 1, 2, 2, 2], "no change"),
        ([1.0, 2, 3], [1.0, 2, 3, 4], [1, 1, 1], "as many"),
    ],
)
def test_what_does_not_change_within_is_refused(x: list[float], y: list[float], subject: list[int], words: str) -> None:
    with pytest.raises(InputError, match=words):
        within_subject_correlation(x, y, subject)


def test_an_exact_fit_has_no_interval() -> None:
    found = within_subject_correlation([1.0, 2, 3, 5, 6, 7], [2.0, 4, 6, 1, 3, 5], [1, 1, 1, 2, 2, 2])
    assert found.r.value == pytest.approx(1)
    assert found.r.low is None
    assert found.f is None
