import numpy as np
import pytest

from stanch.verify.discrimination import area, curve, marks, sensitivity_band
from stanch.verify.intervals import share_interval


def test_every_cut_counts_those_at_or_beyond_it() -> None:
    x = np.array([1.0, 2, 2, 3, 3, 4])
    y = np.array([False, False, True, True, False, True])
    points = curve(marks(x, y))
    assert points.true_positive.tolist() == [0, 1, 2, 3, 3]
    assert points.false_positive.tolist() == [0, 0, 1, 2, 3]
    assert points.sensitivity.tolist() == pytest.approx([0, 1 / 3, 2 / 3, 1, 1])
    assert points.specificity.tolist() == pytest.approx([1, 1, 2 / 3, 1 / 3, 0])


@pytest.mark.parametrize("seed", range(5))
def test_the_surface_below_is_the_area(seed: int) -> None:
    rng = np.random.default_rng(seed)
    y = rng.random(80) < 0.4
    found = marks(np.round(rng.normal(size=80) + y, 1), y)
    points = curve(found)
    surface = np.trapezoid(points.sensitivity, 1 - points.specificity)
    assert surface == pytest.approx(area(found).area.value, abs=1e-12)


def test_the_band_is_the_score_interval_at_each_cut() -> None:
    found = marks(np.arange(12.0), np.arange(12) % 3 > 0)
    points = curve(found)
    low, high = sensitivity_band(points)
    for k, count in enumerate(points.true_positive):
        share = share_interval(int(count), points.positives, method="score")
        assert (low[k], high[k]) == pytest.approx((share.low, share.high), abs=1e-12)
