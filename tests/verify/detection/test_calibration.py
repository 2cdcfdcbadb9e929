"""Limits from a calibration line."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from stanch.errors import InputError
from stanch.verify.detection import calibration_limits

X = np.arange(1.0, 11)
Y = 10 + 5 * X + np.array([0.3, -0.2, 0.1, -0.4, 0.2, 0.3, -0.3, 0.1, -0.2, 0.1])


def test_by_the_formula() -> None:
    found = calibration_limits(X, Y, readings=3)
    line = stats.linregress(X, Y)
    s = math.sqrt(np.sum((Y - line.intercept - line.slope * X) ** 2) / 8)
    shape = math.sqrt(1 / 3 + 1 / 10 + 5.5**2 / 82.5)
    assert found.critical.value == pytest.approx(s / line.slope * stats.t.ppf(0.95, 8) * shape, rel=1e-9)
    assert found.detection.value == pytest.approx(2 * found.critical.value, rel=1e-12)  # type: ignore[operator]
    q = found.quantitation.value
    assert q is not None
    half = s / line.slope * stats.t.ppf(0.975, 8) * math.sqrt(1 / 3 + 1 / 10 + (q - 5.5) ** 2 / 82.5)
    assert q / half == pytest.approx(3, rel=1e-9)


def test_the_exact_limit_is_missed_in_a_share_beta() -> None:
    found = calibration_limits(X, Y, alpha=0.01, beta=0.1)
    assert found.critical.value is not None
    t = found.critical.value / found.s_x0 / math.sqrt(1 + 0.1 + 5.5**2 / 82.5)
    shift = found.detection_exact / found.critical.value * t
    assert stats.nct.cdf(t, 8, shift) == pytest.approx(0.1, abs=1e-8)


def test_the_ends_follow_the_scatter() -> None:
    found = calibration_limits(X, Y, confidence=0.9)
    assert found.critical.high == pytest.approx(found.critical.value * math.sqrt(8 / stats.chi2.ppf(0.05, 8)))  # type: ignore[operator]
    assert found.quantitation.low < found.quantitation.value < found.quantitation.high  # type: ignore[operator]


@pytest.mark.parametrize(("fx", "fy"), [(1e-12, 1.0), (1e12, 1e-12), (1.0, -1.0)])
def test_units_do_not_matter_nor_does_a_falling_signal(fx: float, fy: float) -> None:
    one, two = calibration_limits(X, Y), calibration_limits(fx * X, fy * Y)
    for name in ("critical", "detection", "quantitation"):
        assert getattr(two, name).value == pytest.approx(fx * getattr(one, name).value, rel=1e-8)
    assert two.detection_exact == pytest.approx(fx * one.detection_exact, rel=1e-8)


def test_a_bend_is_seen() -> None:
    assert calibration_limits(X, Y + 0.1 * X**2).curvature_p < 1e-3  # type: ignore[operator]


def test_too_much_scatter_for_the_k_asked_for() -> None:
    found = calibration_limits(X, Y * np.array([1, 3, 0.3, 2, 0.5, 2, 0.4, 2, 0.5, 1.5]), k=20)
    assert found.quantitation.value is None


def test_an_exact_line() -> None:
    found = calibration_limits(X, 1 + 2 * X)
    assert found.critical.value == 0
    assert found.critical.low is None
    assert found.detection_exact == 0


def test_refusals() -> None:
    with pytest.raises(InputError, match="at least 4"):
        calibration_limits([1, 2, 3], [1, 2, 3.1])
    with pytest.raises(InputError, match="slope of zero"):
        calibration_limits(X, np.full(10, 2.0))
    with pytest.raises(InputError, match="alpha"):
        calibration_limits(X, Y, alpha=0.7)
    with pytest.raises(InputError, match="readings or k"):
        calibration_limits(X, Y, k=1)


def test_a_million_points() -> None:
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 10, 1_000_000)
    found = calibration_limits(x, 3 + 2 * x + rng.normal(size=x.size))
    assert found.critical.value == pytest.approx(0.5 * 1.6448536, rel=0.01)
    assert found.detection_exact == pytest.approx(2 * found.critical.value, rel=1e-4)  # type: ignore[operator]
