"""Hit rates and the probit line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from stanch.errors import InputError
from stanch.verify.detection import probit

C, H, N = [1.0, 2, 3, 5, 8, 12], [2, 6, 11, 16, 19, 20], [20] * 6


def test_two_concentrations_are_met_exactly() -> None:
    found = probit([1, 100], [10, 30], [40, 40])
    slope = (special.ndtri(0.75) - special.ndtri(0.25)) / 2
    assert found.slope == pytest.approx(slope, rel=1e-8)
    assert found.intercept == pytest.approx(special.ndtri(0.25), rel=1e-8)
    assert found.limit.value == pytest.approx(10 ** ((special.ndtri(0.95) - special.ndtri(0.25)) / slope), rel=1e-7)
    assert found.deviance == pytest.approx(0, abs=1e-9)
    assert found.fit_p is None
    assert "extrapolation" in found.limit.why


def test_half_of_them() -> None:
    assert probit([1, 2, 3], [5, 10, 15], [20] * 3, rate=0.5, logarithmic=False).limit.value == pytest.approx(2)


@pytest.mark.parametrize("interval", ["profile", "fieller", "delta"])
def test_single_tests_and_counts_say_the_same(interval: str) -> None:
    counted = probit(C, H, N, interval=interval)  # type: ignore[arg-type]
    single_c = np.repeat(C, N)
    single_h = np.concatenate([np.arange(n) < h for h, n in zip(H, N, strict=True)]).astype(float)
    single = probit(single_c, single_h, interval=interval)  # type: ignore[arg-type]
    for end in ("value", "low", "high"):
        assert getattr(single.limit, end) == pytest.approx(getattr(counted.limit, end), rel=1e-6)


def test_the_profile_ends_where_the_likelihood_has_fallen_enough() -> None:
    found = probit(C, H, N)

    def best(u: float) -> float:
        z = special.ndtri(0.95)
        slopes = np.geomspace(0.2, 30, 40_001)[:, None]
        eta = z + slopes * (np.log10(C) - np.log10(u))
        total = np.asarray(H) * special.log_ndtr(eta) + (np.asarray(N) - H) * special.log_ndtr(-eta)
        return float(total.sum(axis=1).max())

    for end in (found.limit.low, found.limit.high):
        assert end is not None
        assert 2 * (best(found.limit.value) - best(end)) == pytest.approx(3.841458820694124, abs=2e-3)  # type: ignore[arg-type]


@settings(derandomize=True, deadline=None, max_examples=25)
@given(seed=st.integers(0, 9999), scale=st.sampled_from([1e-12, 1e12]))
def test_units_and_order_do_not_matter(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    hits = rng.binomial(30, special.ndtr(-1.5 + 3 * np.log10(C)))
    if hits[hits > 0].size == 0 or not (np.flatnonzero(hits < 30).max() > np.flatnonzero(hits > 0).min()):
        return
    one = probit(C, hits, [30] * 6)
    two = probit(np.array(C)[::-1] * scale, hits[::-1], [30] * 6)
    assert two.limit.value == pytest.approx(one.limit.value * scale, rel=1e-6)  # type: ignore[operator]
    assert two.limit.low == pytest.approx(one.limit.low * scale, rel=1e-4)  # type: ignore[operator]
    assert two.deviance == pytest.approx(one.deviance, rel=1e-6, abs=1e-9)


def test_the_band_holds_the_line() -> None:
    rate, low, high = probit(C, H, N).rate_at(np.array(C))
    assert (low < rate).all()
    assert (rate < high).all()


def test_a_flat_line_has_no_ends() -> None:
    found = probit([1, 10], [10, 12], [20, 20], interval="fieller")
    assert found.limit.low is None
    assert "no ends" in found.limit.why
    assert probit([1, 10], [10, 12], [20, 20]).limit.high is None


@pytest.mark.parametrize(
    ("c", "h", "n", "words"),
    [
        ([1, 2, 3], [0, 0, 0], [5] * 3, "nothing detected"),
        ([1, 2, 3], [5, 5, 5], [5] * 3, "everything detected"),
        ([1, 2, 3], [0, 0, 5], [5] * 3, "a step"),
        ([1, 2, 3], [0, 3, 5], [5] * 3, "a step"),
        ([1, 2, 3], [4, 3, 2], [5] * 3, "falls"),
        ([1, 2, 3], [1, 6, 2], [5] * 3, "counts"),
        ([1, 2, 3], [0.5, 1, 2], [5] * 3, "counts"),
        ([0, 2, 3], [1, 3, 4], [5] * 3, "above zero"),
        ([1, 1, 1], [1, 3, 4], [5] * 3, "a single one"),
        ([1, 2], [1, 3, 4], [5] * 3, "as many"),
    ],
)
def test_refusals(c: list[float], h: list[float], n: list[float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        probit(c, h, n)


def test_zero_is_a_concentration_on_the_linear_scale() -> None:
    assert probit([0, 1, 2, 3], [1, 6, 14, 19], [20] * 4, logarithmic=False).limit.value > 2  # type: ignore[operator]


def test_a_million_single_tests() -> None:
    rng = np.random.default_rng(4)
    c = rng.choice([1.0, 2, 4, 8, 16], 1_000_000)
    hit = rng.uniform(size=c.size) < special.ndtr(-1 + 3 * np.log10(c))
    found = probit(c, hit.astype(float))
    assert found.limit.value == pytest.approx(10 ** ((special.ndtri(0.95) + 1) / 3), rel=0.01)
