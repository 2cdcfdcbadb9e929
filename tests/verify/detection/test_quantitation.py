"""Limit of quantitation."""

from __future__ import annotations

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.detection import limit_of_quantitation

LEVEL = np.array([1.0, 2, 5, 10, 20, 50])


def test_constant_scatter() -> None:
    found = limit_of_quantitation(LEVEL, np.full(6, 0.4), 20, cv=10, form="constant")
    assert found.limit.value == pytest.approx(4)
    assert not found.extrapolated
    # sd limits over the goal, with all 120 degrees of freedom.
    ends = found.function.interval(1.0)
    assert found.limit.low == pytest.approx(ends.low / 0.1, rel=1e-3)  # type: ignore[operator]
    assert found.limit.high == pytest.approx(ends.high / 0.1, rel=1e-3)  # type: ignore[operator]


def test_both_parts() -> None:
    sd = np.hypot(0.3, 0.04 * LEVEL)
    found = limit_of_quantitation(LEVEL, sd, 15, cv=10, form="both")
    assert found.limit.value == pytest.approx(0.3 / np.sqrt(0.01 - 0.0016), rel=1e-5)
    assert found.limit.low < found.limit.value < found.limit.high  # type: ignore[operator]


def test_the_cv_at_the_limit_is_the_goal() -> None:
    sd = 0.2 * LEVEL**0.5
    found = limit_of_quantitation(LEVEL, sd, 15, cv=8, form="power")
    assert found.limit.value is not None
    assert float(found.function.sd_at(found.limit.value)) / found.limit.value == pytest.approx(0.08, rel=1e-6)


def test_a_goal_out_of_reach() -> None:
    found = limit_of_quantitation(LEVEL, 0.2 * LEVEL, 15, cv=5)
    assert found.limit.value is None
    assert "5 %" in found.limit.why


def test_outside_what_was_measured() -> None:
    above = limit_of_quantitation(LEVEL, np.full(6, 30.0), 15, cv=10, form="constant")
    assert above.extrapolated
    assert "above every level" in above.limit.why
    below = limit_of_quantitation(LEVEL, np.full(6, 0.01), 15, cv=10, form="constant")
    assert "lowest level measured" in below.limit.why


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_scale(scale: float) -> None:
    sd = np.hypot(0.3, 0.04 * LEVEL)
    one = limit_of_quantitation(LEVEL, sd, 15, cv=10)
    two = limit_of_quantitation(scale * LEVEL, scale * sd, 15, cv=10)
    for end in ("value", "low", "high"):
        assert getattr(two.limit, end) == pytest.approx(scale * getattr(one.limit, end), rel=1e-5)


def test_refusals() -> None:
    with pytest.raises(InputError, match="above 0 %"):
        limit_of_quantitation(LEVEL, LEVEL, 5, cv=0)
    with pytest.raises(InputError, match="zero at every level"):
        limit_of_quantitation(LEVEL, 0 * LEVEL, 5, cv=10)
