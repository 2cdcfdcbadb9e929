import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.reference_limits import normal_limits
from stanch.verify.reference_limits.normal import normal_quantile_interval, standard_deviation


def test_the_limit_is_mean_and_z_standard_deviations() -> None:
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    found = normal_limits(x)
    assert found.lower is not None
    assert found.upper is not None
    assert found.upper.value == pytest.approx(3 + 1.959963984540054 * math.sqrt(2.5))
    assert found.lower.value == pytest.approx(6 - found.upper.value)
    assert found.upper.low + found.lower.high == pytest.approx(6)


def test_the_interval_is_the_non_central_t() -> None:
    from scipy import stats

    _, low, high = normal_quantile_interval(0.0, 1.0, 12, 0.975, 0.90)
    root = math.sqrt(12)
    for end, p in ((low, 0.05), (high, 0.95)):
        assert stats.nct.cdf(end * root, 11, 1.959963984540054 * root) == pytest.approx(p, abs=1e-9)


def test_the_median_has_the_t_interval() -> None:
    _, low, high = normal_quantile_interval(0.0, 1.0, 10, 0.5, 0.95)
    # t with 9 degrees of freedom: 2.262157.
    assert high == pytest.approx(2.262157 / math.sqrt(10), abs=1e-6)
    assert low == pytest.approx(-high)


def test_a_million_values_have_the_large_sample_interval() -> None:
    _, low, high = normal_quantile_interval(0.0, 1.0, 10**6, 0.025, 0.90)
    half = 1.644853627 * math.sqrt((1 + 1.959964**2 / 2) / 1e6)
    assert (high - low) / 2 == pytest.approx(half, rel=1e-3)


def test_logarithms() -> None:
    x = np.exp([1.0, 2.0, 3.0, 4.0])
    found, plain = normal_limits(x, logarithm=True), normal_limits(np.log(x))
    assert found.upper is not None
    assert plain.upper is not None
    assert found.upper.value == pytest.approx(math.exp(plain.upper.value))
    assert found.upper.low == pytest.approx(math.exp(plain.upper.low))
    assert found.method == "log-normal"


def test_constants_and_zeros_are_refused() -> None:
    with pytest.raises(InputError, match="all equal"):
        normal_limits([4.0] * 5)
    with pytest.raises(InputError, match="at or below zero"):
        normal_limits([0.0, 1.0, 2.0], logarithm=True)


@pytest.mark.parametrize("scale", [1e-300, 1e-12, 1e12, 1e300])
def test_units_do_not_matter(scale: float) -> None:
    x = np.random.default_rng(1).normal(10, 2, 40)
    one, other = normal_limits(x), normal_limits(x * scale)
    assert one.lower is not None
    assert other.lower is not None
    for name in ("value", "low", "high"):
        assert getattr(other.lower, name) / scale == pytest.approx(getattr(one.lower, name), rel=1e-9)


def test_the_standard_deviation_of_a_constant_is_zero() -> None:
    assert standard_deviation(np.full(3, 5.0)) == 0
    assert standard_deviation(np.array([1.0, 3.0])) == pytest.approx(math.sqrt(2))
