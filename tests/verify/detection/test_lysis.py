"""Detection of lysis."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from stanch.errors import InputError
from stanch.verify.detection import follow_design, limit_of_blank, lysis_limit

Z = 1.6448536269514722
TIMES = np.array([20.0, 30, 45])
SDS = 0.1 * (TIMES / 30) ** -1.5


def test_the_rate_is_signed() -> None:
    # Rates known in advance, all below zero: the limit of blank lies there too.
    found = lysis_limit(np.linspace(-0.6, -0.2, 41), factor=False)
    sd = float(np.std(np.linspace(-0.6, -0.2, 41), ddof=1))
    assert found.blank.limit.value == pytest.approx(-0.4 + Z * sd)
    assert found.offset.value == pytest.approx(-0.4)
    assert found.detection.limit.value == pytest.approx(-0.4 + 2 * Z * sd)
    assert found.borrowed


def test_weak_lysis_lends_its_own_scatter() -> None:
    without, weak = np.linspace(-0.2, 0.2, 30), [0.4, 0.5, 0.6, 1.0, 1.1, 1.2]
    found = lysis_limit(without, weak, ["a"] * 3 + ["b"] * 3)
    assert not found.borrowed
    assert found.detection.sd.value == pytest.approx(0.1)
    blank = limit_of_blank(without, method="parametric")
    assert found.blank.limit.value == blank.limit.value
    assert found.detection.samples[0].missed.value == 0  # type: ignore[union-attr]


def test_a_rate_at_the_limit_is_told_in_a_share_of_one_minus_beta() -> None:
    rng = np.random.default_rng(5)
    found = lysis_limit(rng.normal(0, 0.1, 4000), rng.normal(0.4, 0.1, 4000), beta=0.1)
    assert found.detection.limit.value is not None
    assert found.blank.limit.value is not None
    missed = special.ndtr((found.blank.limit.value - found.detection.limit.value) / 0.1)
    assert missed == pytest.approx(0.1, abs=0.01)


def test_the_design_follows_the_power_put_in() -> None:
    design = follow_design(TIMES, SDS, [30, 30, 30])
    assert design.function.parameters["p"] == pytest.approx(-1.5, rel=1e-6)
    df = float(design.function.degrees_at(30.0))
    assert design.smallest_at(30).value == pytest.approx(2 * Z / (1 - 1 / (4 * df)) * 0.1, rel=1e-6)
    assert design.blank_at(30) == pytest.approx(design.smallest_at(30).value / 2)  # type: ignore[operator]
    assert "extrapolation" in design.smallest_at(90).why


def test_the_time_needed_gives_back_the_rate() -> None:
    design = follow_design(TIMES, SDS, [30, 30, 30], offset=0.02)
    needed = design.follow_for(0.3)
    assert needed.value is not None
    assert design.smallest_at(needed.value).value == pytest.approx(0.3, rel=1e-4)
    assert needed.low < needed.value < needed.high  # type: ignore[operator]
    assert design.smallest_at(needed.high).high == pytest.approx(0.3, rel=1e-3)  # type: ignore[arg-type]
    assert design.follow_for(1e-6).value is None
    assert "enough" in design.follow_for(50).why


def test_weak_lysis_may_scatter_more() -> None:
    plain = follow_design(TIMES, SDS, [30, 30, 30])
    more = follow_design(TIMES, SDS, [30, 30, 30], weak=(TIMES, 2 * SDS, [30, 30, 30]))
    assert more.smallest_at(30).value == pytest.approx(1.5 * plain.smallest_at(30).value, rel=1e-6)  # type: ignore[operator]
    assert more.smallest_at(30).low < more.smallest_at(30).value  # type: ignore[operator]


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_scale(scale: float) -> None:
    one, two = follow_design(TIMES, SDS, 30), follow_design(TIMES, scale * SDS, 30)
    assert two.smallest_at(25).high == pytest.approx(scale * one.smallest_at(25).high, rel=1e-6)  # type: ignore[operator]
    assert two.follow_for(0.3 * scale).value == pytest.approx(one.follow_for(0.3).value, rel=1e-6)


def test_refusals() -> None:
    with pytest.raises(InputError, match="two different"):
        follow_design([30, 30], [0.1, 0.1], [5, 5])
    with pytest.raises(InputError, match="at least 3"):
        lysis_limit([0.1, 0.2])
    with pytest.raises(InputError, match="alpha"):
        follow_design(TIMES, SDS, 30, alpha=0.6)
    with pytest.raises(InputError, match="follow time"):
        follow_design(TIMES, SDS, 30).smallest_at(0)
