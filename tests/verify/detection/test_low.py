"""Limit of detection from blanks and low samples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.detection import LotLimits, group_scatter, largest_lot, limit_of_blank, limit_of_detection

Z = 1.6448536269514722
BLANK = limit_of_blank(np.arange(100.0) / 100, confidence=0.9)


def test_by_hand() -> None:
    found = limit_of_detection(BLANK, [1, 2, 3, 4, 8], ["a", "a", "a", "b", "b"])
    # Squares 2 and 8 on 3 degrees of freedom.
    assert found.sd.value == pytest.approx(math.sqrt(10 / 3))
    assert found.degrees == 3
    assert found.factor == pytest.approx(Z / (1 - 1 / 12), rel=1e-9)
    assert BLANK.limit.value == pytest.approx(0.945)
    assert found.limit.value == pytest.approx(0.945 + found.factor * math.sqrt(10 / 3))
    assert limit_of_detection(BLANK, [1, 2, 3], factor=False).factor == pytest.approx(Z, rel=1e-9)


def test_missed_shares_are_those_at_or_below_the_limit_of_blank() -> None:
    found = limit_of_detection(BLANK, [0.945, 0.9, 3, 4, 8], ["a", "a", "a", "b", "b"])
    first, second = found.samples
    assert (first.name, first.n) == ("a", 3)
    assert first.missed is not None
    assert first.missed.value == pytest.approx(2 / 3)
    assert second.missed is not None
    assert second.missed.value == 0


def test_the_interval_joins_both_parts() -> None:
    found = limit_of_detection(BLANK, [1.0, 2, 3, 2, 1, 3], confidence=0.9)
    limit, sd, blank = found.limit, found.sd, BLANK.limit
    assert limit.high - limit.value == pytest.approx(  # type: ignore[operator]
        math.hypot(blank.high - blank.value, found.factor * (sd.high - sd.value))  # type: ignore[operator]
    )
    open_end = limit_of_blank(np.arange(20.0))
    assert limit_of_detection(open_end, [1.0, 2, 3]).limit.high is None


def test_no_limit_of_blank_no_limit_of_detection() -> None:
    none = limit_of_blank(np.full(20, 2.0), below=np.ones(20, dtype=bool))
    found = limit_of_detection(none, [3.0, 4, 5])
    assert found.limit.value is None
    assert found.samples[0].missed is None


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_scale(scale: float) -> None:
    blanks, lows = np.random.default_rng(1).normal(size=80), np.random.default_rng(2).normal(3, 1, 30)
    one = limit_of_detection(limit_of_blank(blanks), lows)
    two = limit_of_detection(limit_of_blank(scale * blanks), scale * lows)
    assert two.limit.value == pytest.approx(scale * one.limit.value, rel=1e-9)  # type: ignore[operator]
    assert two.limit.low == pytest.approx(scale * one.limit.low, rel=1e-9)  # type: ignore[operator]


def test_equal_lows_have_no_scatter() -> None:
    found = limit_of_detection(BLANK, np.full(9, 0.1), np.repeat(["a", "b", "c"], 3))
    assert found.sd.value == 0
    assert found.limit.value == BLANK.limit.value
    assert found.equal_p is None


def test_the_largest_lot_counts() -> None:
    def lot(name: str, shift: float) -> LotLimits:
        blank = limit_of_blank(np.arange(20.0) + shift)
        return LotLimits(name, blank, limit_of_detection(blank, [1.0, 2, 3]))

    assert largest_lot([lot("a", 0), lot("b", 2), lot("c", 1)]).lot == "b"
    assert largest_lot({"a": lot("a", 5), "b": lot("b", 2)}).lot == "a"
    unknown = limit_of_blank(np.full(20, 2.0), below=np.ones(20, dtype=bool))
    with pytest.raises(InputError, match="limit of lot d"):
        largest_lot([lot("a", 0), LotLimits("d", unknown, None)])


def test_refusals() -> None:
    with pytest.raises(InputError, match="with two results"):
        limit_of_detection(BLANK, [1.0, 2.0], ["a", "b"])
    with pytest.raises(InputError, match="beta"):
        limit_of_detection(BLANK, [1.0, 2.0], beta=1)
    with pytest.raises(InputError, match="names"):
        limit_of_detection(BLANK, [1.0, 2.0], ["a"])


def test_group_scatter_keeps_numeric_groups_apart() -> None:
    found = group_scatter([1.0, 3, 10, 14, 7], [2, 2, 10, 10, 3])
    assert found.names.tolist() == ["2", "3", "10"]
    assert found.mean.tolist() == [2, 7, 12]
    assert found.squares.tolist() == [2, 0, 8]
    assert found.degrees == 2
    assert found.sd == pytest.approx([math.sqrt(2), 0, math.sqrt(8)])
