import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.reference_limits import dixon_reed, horn, tukey


def test_a_third_of_the_range_flags() -> None:
    found = dixon_reed([0.0, 1.0, 2.0, 4.0, 5.0])
    assert found.count == 0
    assert (found.low_ratio, found.high_ratio) == pytest.approx((1 / 5, 1 / 5))
    high = dixon_reed([0.0, 1.0, 2.0, 6.0])
    assert high.high_ratio == pytest.approx(2 / 3)
    assert high.flagged.tolist() == [False, False, False, True]
    assert (high.low, high.high) == (None, 6.0)
    # The gap counts from exactly a third on: 3 of 9.
    for unit in (1.0, 0.1, 0.7, 1e-9):
        x = np.array([0.0, 3.0, 5.0, 7.0, 9.0]) * unit
        assert dixon_reed(x).flagged.tolist() == [True, False, False, False, False]


def test_two_outliers_side_by_side_hide_each_other() -> None:
    assert dixon_reed([1.0, 2.0, 3.0, 100.0, 100.0]).count == 0
    assert tukey([1.0, 2.0, 3.0, 2.5, 1.5, 2.2, 2.7, 2.1, 2.4, 100.0, 100.0]).count == 2


def test_three_equal_values_have_no_outliers() -> None:
    found = dixon_reed([4.0, 4.0, 4.0])
    assert found.count == 0
    assert "equal" in found.why
    assert tukey([4.0, 4.0, 4.0]).count == 0
    assert "all equal" in horn([4.0, 4.0, 4.0]).why


def test_fences_stand_one_and_a_half_quartile_distances_out() -> None:
    x = np.arange(1.0, 12.0)
    found = tukey(np.append(x[:-1], 22.0))
    # Quartiles of eleven values by rank p (n + 1): the third and the ninth.
    assert (found.low, found.high) == (3 - 9, 9 + 9)
    assert found.flagged.tolist() == [False] * 10 + [True]
    assert tukey(np.append(x[:-1], 18.0)).count == 0


def test_fences_after_transformation_spare_a_skewed_tail() -> None:
    x = np.random.default_rng(1).lognormal(0, 0.8, 400)
    assert horn(x).count < tukey(x).count
    found = horn(np.append(x, 1e6))
    assert found.flagged[-1]
    assert found.high is not None
    assert (x[found.flagged[:-1]] > found.high).sum() + (x[found.flagged[:-1]] < found.low).sum() == found.count - 1


def test_horn_says_when_it_cannot() -> None:
    found = horn([-1.0, 0.0, 1.0, 2.0])
    assert found.count == 0
    assert "Not applicable" in found.why
    assert horn([-1.0, 0.0, 1.0, 2.0], shift=5.0).why == ""


@pytest.mark.parametrize("scale", [1e-300, 1e-12, 1e12, 1e300])
def test_units_do_not_matter(scale: float) -> None:
    x = np.array([0.1, 1.0, 2.0, 2.5, 9.0])
    assert dixon_reed(x * scale).flagged.tolist() == dixon_reed(x).flagged.tolist()
    assert tukey(x * scale).flagged.tolist() == tukey(x).flagged.tolist()


def test_wrong_settings() -> None:
    with pytest.raises(InputError, match="ratio"):
        dixon_reed([1.0, 2.0, 3.0], ratio=0)
    with pytest.raises(InputError, match="reach"):
        tukey([1.0, 2.0, 3.0], reach=-1)
