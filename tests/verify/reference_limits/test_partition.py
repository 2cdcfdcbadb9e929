import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.reference_limits import group_difference, outside_shared_limits


def test_z_and_its_critical_value() -> None:
    one, two = [1.0, 2.0, 3.0], [3.0, 4.0, 5.0, 6.0]
    found = group_difference(one, two)
    assert found.z == pytest.approx(2.5 / math.sqrt(1 / 3 + (5 / 3) / 4))
    assert found.critical_z == pytest.approx(3 * math.sqrt(7 / 240))
    assert found.sd_ratio == pytest.approx(math.sqrt(5 / 3))
    assert found.apart
    assert group_difference(two, one).z == found.z


def test_the_critical_value_is_three_at_120_each() -> None:
    x = np.arange(120.0)
    assert group_difference(x, x).critical_z == pytest.approx(3)
    assert not group_difference(x, x).apart


def test_spread_alone_calls_for_separate_limits() -> None:
    x = np.linspace(-1, 1, 120)
    assert group_difference(x, 1.6 * x).apart
    assert not group_difference(x, 1.4 * x).apart


def test_constants() -> None:
    same = group_difference([2.0, 2.0], [2.0, 2.0])
    assert (same.z, same.sd_ratio, same.apart) == (None, None, False)
    assert group_difference([2.0, 2.0], [3.0, 3.0]).apart
    assert group_difference([2.0, 2.0], [1.0, 3.0]).apart


@pytest.mark.parametrize("scale", [1e-300, 1e-12, 1e12, 1e300])
def test_units_do_not_matter(scale: float) -> None:
    rng = np.random.default_rng(1)
    x, y = rng.normal(5, 1, 40), rng.normal(6, 2, 30)
    assert group_difference(x * scale, y * scale).z == pytest.approx(group_difference(x, y).z)


def test_a_single_value_is_refused() -> None:
    with pytest.raises(InputError, match="second group"):
        group_difference([1.0, 2.0], [1.0])


@pytest.mark.parametrize(
    ("below", "above", "outcome"), [(25, 25, "shared"), (41, 25, "separate"), (25, 9, "separate"), (35, 25, "between")]
)
def test_shares_outside_shared_limits(below: int, above: int, outcome: str) -> None:
    x = np.concatenate([np.full(below, -1.0), np.full(above, 11.0), np.full(1000 - below - above, 5.0)])
    found = outside_shared_limits(x, lower=0.0, upper=10.0)
    assert found.outcome == outcome
    assert found.below is not None
    assert found.below.value == below / 1000


def test_a_single_limit_takes_twice_the_share() -> None:
    x = np.concatenate([np.full(50, 11.0), np.full(950, 5.0)])
    found = outside_shared_limits(x, lower=None, upper=10.0)
    assert found.below is None
    assert found.outcome == "shared"
    assert outside_shared_limits(x, lower=0.0, upper=10.0).outcome == "separate"
    with pytest.raises(InputError, match="shared limits"):
        outside_shared_limits(x, lower=None, upper=None)
