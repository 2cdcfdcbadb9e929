import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.reference_limits import box_cox, box_cox_limits
from stanch.verify.reference_limits.transform import _slope, power


def values(seed: int = 1, n: int = 200) -> np.ndarray:
    return np.random.default_rng(seed).gamma(4, 2.5, n)


def test_the_exponent_is_the_top_of_the_likelihood() -> None:
    x = values()
    y = np.log(x) - np.log(x).mean()
    found = box_cox(x)

    def height(exponent: float) -> float:
        return -0.5 * x.size * math.log(power(y, exponent).var())

    assert found.log_likelihood == pytest.approx(height(found.exponent.value))
    for step in (1e-4, 1e-2, 0.3):
        assert height(found.exponent.value + step) < found.log_likelihood
        assert height(found.exponent.value - step) < found.log_likelihood
    # chi-square of 1 degree of freedom, 95 %: 3.841459.
    for end in (found.exponent.low, found.exponent.high):
        assert found.log_likelihood - height(end) == pytest.approx(3.841459 / 2, abs=1e-5)


def test_logarithms_and_powers_are_found() -> None:
    # Symmetric normal scores: their exponential has exponent 0, their square root exponent 2.
    from scipy import special

    z = special.ndtri((np.arange(1, 400) - 0.5) / 399)
    assert box_cox(np.exp(0.3 * z)).exponent.value == pytest.approx(0, abs=1e-6)
    assert box_cox(np.sqrt(10 + z)).exponent.value == pytest.approx(2, abs=0.02)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_units_do_not_matter(scale: float) -> None:
    x = values()
    one, other = box_cox_limits(x), box_cox_limits(x * scale)
    assert one.upper is not None
    assert other.upper is not None
    for name in ("value", "low", "high"):
        assert getattr(other.upper, name) / scale == pytest.approx(getattr(one.upper, name), rel=1e-6)


def test_powers_of_the_values_give_powers_of_the_limits() -> None:
    x = values()
    one, other = box_cox_limits(x), box_cox_limits(x**2)
    assert one.lower is not None
    assert other.lower is not None
    assert math.sqrt(other.lower.value) == pytest.approx(one.lower.value, rel=1e-5)


def test_turned_over_values_turn_the_limits_over() -> None:
    x = values()
    one, other = box_cox_limits(x), box_cox_limits(1 / x)
    assert one.lower is not None
    assert other.upper is not None
    assert other.upper.value == pytest.approx(1 / one.lower.value, rel=1e-6)
    assert other.upper.low == pytest.approx(1 / one.lower.high, rel=1e-4)


def test_the_interval_includes_the_exponent() -> None:
    # With the exponent known the limit of log-normal values has the half width z sqrt((1 + z^2/2)/n) on the log scale.
    x = np.random.default_rng(4).lognormal(0, 0.5, 2000)
    found = box_cox_limits(x)
    assert found.upper is not None
    half = math.log(found.upper.high / found.upper.low) / 2
    known = 1.645 * np.log(x).std() * math.sqrt((1 + 1.96**2 / 2) / x.size)
    assert half > 1.1 * known
    assert half < 3 * known


def test_the_information_is_the_curvature_of_the_likelihood() -> None:
    from stanch.verify.reference_limits.transform import _covariance

    x = values(3, 60)
    y = np.log(x) - np.log(x).mean()
    exponent = box_cox(x).exponent.value
    z = power(y, exponent)
    at = np.array([z.mean(), math.log(z.std()), exponent])

    def height(p: np.ndarray) -> float:
        r = (power(y, float(p[2])) - p[0]) / math.exp(p[1])
        return -float(r @ r) / 2 - y.size * float(p[1])

    step = 1e-4
    curvature = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            e, f = step * np.eye(3)[i], step * np.eye(3)[j]
            curvature[i, j] = -(height(at + e + f) - height(at + e - f) - height(at - e + f) + height(at - e - f)) / (
                4 * step**2
            )
    np.testing.assert_allclose(np.linalg.inv(_covariance(y, z, exponent)), curvature, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("order", [1, 2])
def test_series_and_closed_form_meet(order: int) -> None:
    one, other = _slope(np.array([1 - 1e-9, -1 + 1e-9]), order), _slope(np.array([1 + 1e-9, -1 - 1e-9]), order)
    np.testing.assert_allclose(one, other, rtol=1e-8)


def test_a_shift_is_added_and_taken_off() -> None:
    x = values()
    plain, moved = box_cox_limits(x), box_cox_limits(x - 20, shift=20)
    assert plain.lower is not None
    assert moved.lower is not None
    assert moved.lower.value == pytest.approx(plain.lower.value - 20, abs=1e-6)


@pytest.mark.parametrize(
    ("x", "said"),
    [
        ([0.0, 1, 2, 3, 4], "at or below zero"),
        ([2.0] * 6, "all equal"),
        ([1e6, 1e6 + 1e-9, 1e6 + 2e-9, 1e6, 1e6 + 1e-9], "little more than rounding"),
        ([1.0, 2, 3, 4], "at least 5"),
    ],
)
def test_what_cannot_be_transformed_is_refused(x: list[float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        box_cox_limits(x)


def test_a_limit_out_of_reach_is_missing_with_its_reason() -> None:
    # Two clusters with a strong exponent: the lower limit falls below what the power can reach.
    x = np.concatenate([np.full(3, 1.0), np.linspace(9, 10, 12)])
    found = box_cox_limits(x)
    ends = [found.lower, found.upper]
    assert any(end is not None and end.value is None and "does not reach" in end.why for end in ends)


def test_a_design_takes_its_terms_out() -> None:
    rng = np.random.default_rng(8)
    group = np.repeat([0.0, 1.0], 60)
    x = np.exp(rng.normal(size=120) * 0.2 + 3 * group)
    design = np.column_stack([np.ones(120), group])
    assert abs(box_cox(x, design=design).exponent.value) < 0.4
    # More columns that say the same change nothing.
    twice = np.column_stack([design, 1 - group])
    assert box_cox(x, design=twice).exponent.value == pytest.approx(box_cox(x, design=design).exponent.value)
    with pytest.raises(InputError, match="one per value"):
        box_cox(x, design=design[:5])
    with pytest.raises(InputError, match="fewer terms"):
        box_cox(x[:5], design=np.eye(5))
