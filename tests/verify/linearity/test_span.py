"""The useful range."""

from __future__ import annotations

import numpy as np
import pytest

from stanch.verify.linearity import deviation_of_means, deviation_of_polynomial, useful_range
from stanch.verify.linearity.span import MOST_REFITTED

LEVELS = np.repeat(np.arange(1.0, 9), 3)
NOISE = np.tile([-0.05, 0, 0.05], 8)


def saturating() -> np.ndarray:
    """Straight up to 6, then flat."""
    return np.minimum(LEVELS, 6) * 10 + NOISE


@pytest.mark.parametrize("call", [deviation_of_polynomial, deviation_of_means])
def test_saturation_is_cut_off(call: object) -> None:
    found = call(LEVELS, saturating(), absolute=0.5)  # type: ignore[operator]
    assert found.outcome == "not met"
    span = useful_range(found, absolute=0.5)
    assert span is not None
    assert (span.low, span.high) == (1, 6)
    assert span.refitted
    assert span.shown


def test_a_straight_assay_is_useful_throughout() -> None:
    found = deviation_of_polynomial(LEVELS, 10 * LEVELS + NOISE, percent=5)
    span = useful_range(found, percent=5)
    assert span is not None
    assert (span.first, span.last) == (0, 7)


def test_intervals_ask_for_more() -> None:
    y = 10 * LEVELS + 6 * NOISE
    found = deviation_of_means(LEVELS, y, absolute=0.3)
    span = useful_range(found, absolute=0.3)
    assert span is not None
    assert not span.shown
    assert useful_range(found, absolute=0.3, intervals=True) is None
    assert useful_range(deviation_of_means(LEVELS, y), absolute=None) is None


def test_none_is_inside() -> None:
    y = LEVELS * 10 + np.where(LEVELS % 2 == 0, 4, -4) + NOISE
    assert useful_range(deviation_of_means(LEVELS, y, absolute=0.1), absolute=0.1) is None


def test_many_levels_keep_the_one_line() -> None:
    x = np.repeat(np.linspace(0, 1, MOST_REFITTED + 40), 2)
    y = np.minimum(x, 0.7) + np.tile([-0.001, 0.001], MOST_REFITTED + 40)
    found = deviation_of_means(x, y, absolute=0.05)
    span = useful_range(found, absolute=0.05)
    assert span is not None
    assert not span.refitted
    inside = np.abs(found.deviation) <= 0.05
    assert inside[span.first : span.last + 1].all()
    assert span.first == 0 or not inside[span.first - 1]
    assert span.last == inside.size - 1 or not inside[span.last + 1]
