import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.reference_limits import biweight, robust_limits


def by_hand(x: list[float]) -> tuple[float, float]:
    """Biweight location and scale in plain loops."""
    ordered = sorted(x)
    n = len(x)
    median = (ordered[(n - 1) // 2] + ordered[n // 2]) / 2
    gaps = sorted(abs(v - median) for v in x)
    spread = (gaps[(n - 1) // 2] + gaps[n // 2]) / 2 / 0.6745
    place = median
    for _ in range(300):
        weights = [(1 - u * u) ** 2 if abs(u) < 1 else 0.0 for u in ((v - place) / (3.7 * spread) for v in x)]
        place = sum(w * v for w, v in zip(weights, x)) / sum(weights)

    def sums(centre: float, width: float) -> tuple[float, float]:
        top = below = 0.0
        for v in x:
            u = (v - centre) / width
            if abs(u) < 1:
                top += (1 - u * u) ** 4 * u * u
                below += (1 - u * u) * (1 - 5 * u * u)
        return top, below

    top, below = sums(median, 205.6 * spread)
    wide = 205.6 * spread * math.sqrt(n * top / (below * max(1, below - 1)))
    top, below = sums(median, 3.7 * spread)
    narrow = 3.7 * spread * math.sqrt(n * top / (below * max(1, below - 1)))
    top, below = sums(place, 3.7 * narrow)
    error = 3.7 * narrow * math.sqrt(top / (below * max(1, below - 1)))
    return place, math.hypot(wide, error)


@pytest.mark.parametrize("seed", range(4))
def test_location_and_scale_follow_the_definition(seed: int) -> None:
    x = np.random.default_rng(seed).normal(10, 2, 25 + seed)
    assert biweight(x) == pytest.approx(by_hand(x.tolist()), rel=1e-11)


def test_limits_are_location_and_t_times_scale() -> None:
    x = np.random.default_rng(7).normal(10, 2, 40)
    location, scale = biweight(x)
    found = robust_limits(x, draws=0)
    assert found.lower is not None
    assert found.upper is not None
    # Student's t, 39 degrees of freedom, 97.5 %.
    assert (found.upper.value - location) / scale == pytest.approx(2.0226909, abs=1e-6)
    assert found.lower.value + found.upper.value == pytest.approx(2 * location)
    assert found.lower.low is None
    assert found.details == {"location": location, "scale": scale}


def test_one_wild_value_hardly_moves_it() -> None:
    x = np.random.default_rng(3).normal(10, 1, 60)
    plain = biweight(x)
    wild = biweight(np.append(x, 1000.0))
    assert wild[0] == pytest.approx(plain[0], abs=0.1)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_units_do_not_matter(scale: float) -> None:
    x = np.random.default_rng(2).normal(10, 2, 30)
    one, other = robust_limits(x, draws=200), robust_limits(x * scale, draws=200)
    for a, b in ((one.lower, other.lower), (one.upper, other.upper)):
        assert a is not None
        assert b is not None
        for name in ("value", "low", "high"):
            assert getattr(b, name) / scale == pytest.approx(getattr(a, name), rel=1e-9)


def test_logarithms_turn_back() -> None:
    x = np.random.default_rng(5).lognormal(2, 0.4, 40)
    plain, turned = robust_limits(np.log(x), draws=300), robust_limits(x, draws=300, logarithm=True)
    assert plain.upper is not None
    assert turned.upper is not None
    assert math.log(turned.upper.value) == pytest.approx(plain.upper.value)
    assert math.log(turned.upper.low) == pytest.approx(plain.upper.low)
    assert turned.middle == pytest.approx(np.median(x))
    with pytest.raises(InputError, match="at or below zero"):
        robust_limits(x - 100, logarithm=True)


def test_the_same_seed_gives_the_same_interval() -> None:
    x = np.random.default_rng(5).normal(size=30)
    assert robust_limits(x, seed=4, draws=100) == robust_limits(x, seed=4, draws=100)
    assert robust_limits(x, seed=4, draws=100).lower != robust_limits(x, seed=5, draws=100).lower


@pytest.mark.parametrize("x", [[1.0, 1.0, 1.0], [1.0, 1.0, 1.0, 1.0, 9.0]])
def test_values_that_do_not_spread_are_refused(x: list[float]) -> None:
    with pytest.raises(InputError, match="half of the values equal"):
        robust_limits(x)


def test_three_values_are_enough_or_say_why_not() -> None:
    found = robust_limits([1.0, 2.0, 4.0], draws=200)
    assert found.lower is not None
    assert found.lower.value < 1
    assert found.lower.low is None
    assert "do not spread" in found.lower.why


def test_many_values_take_blocks() -> None:
    x = np.random.default_rng(2).normal(size=60_000)
    found = robust_limits(x)
    assert "blocks" in found.interval
    assert found.upper is not None
    assert found.upper.low < 1.96 < found.upper.high
    # The interval of a quantile estimated by mean and SD: 1.645 sqrt((1 + 1.96^2 / 2) / n).
    width = 1.645 * math.sqrt((1 + 1.96**2 / 2) / x.size)
    assert (found.upper.high - found.upper.low) / 2 == pytest.approx(width, rel=0.3)
