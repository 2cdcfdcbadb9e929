"""Recovery."""

from __future__ import annotations

import numpy as np
import pytest

from stanch.verify.linearity import gather, recovery_of_mixtures, recovery_of_values


def test_values_by_hand() -> None:
    levels = gather([0, 10, 10, 10, 20], [0.1, 9, 10, 11, 19])
    zero, ten, twenty = recovery_of_values(levels)
    assert zero.value is None
    assert ten.value == pytest.approx(100)
    assert ten.high == pytest.approx(100 + 10 * 4.302652729749464 / np.sqrt(3), rel=1e-9)
    assert twenty.value == pytest.approx(95)
    assert twenty.low is None


def test_mixtures_by_hand() -> None:
    levels = gather([0, 0, 0.5, 0.5, 1, 1], [9, 11, 54, 56, 99, 101])
    low, middle, high = recovery_of_mixtures(levels)
    assert low.value is None
    assert high.value is None
    assert middle.value == pytest.approx(100)
    # Variance 2 per reading: of the mean 1, of the mixed ends 1/4 + 1/4; t of 3 degrees.
    assert middle.high == pytest.approx(100 * (1 + 3.182446305284263 * np.sqrt(1.5) / 55), rel=1e-9)


def test_a_dilution_that_loses_a_tenth() -> None:
    levels = gather([0.1, 0.5, 0.5, 1, 1], [10, 45, 45, 100, 100])
    assert recovery_of_mixtures(levels)[1].value == pytest.approx(90)
    assert recovery_of_mixtures(gather([0.0, 0.5, 1], [0, 45, 100]))[1].low is None


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_scale(scale: float) -> None:
    x, y = np.repeat([1.0, 2, 3, 4], 2), np.array([1, 1.1, 2, 2.2, 3.1, 3, 4, 4.2])
    one, two = recovery_of_values(gather(x, y)), recovery_of_values(gather(scale * x, scale * y))
    for a, b in zip(one, two, strict=True):
        assert b.value == pytest.approx(a.value, rel=1e-9)
        assert b.low == pytest.approx(a.low, rel=1e-7)


def test_negative_levels_keep_the_ends_in_order() -> None:
    found = recovery_of_values(gather([-2, -2, -1, 1], [-2.1, -1.9, -1, 1]))[0]
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.high
