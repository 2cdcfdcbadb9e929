import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.estimate import Estimate

finite = st.floats(-1e6, 1e6)


def test_quantiles_of_plain_samples() -> None:
    estimate = Estimate.from_samples(np.arange(1001.0), "Pa")
    assert (estimate.value, estimate.low, estimate.high) == pytest.approx((500.0, 25.0, 975.0), rel=1e-12)
    assert estimate.status == "ok"


def test_paths_that_never_set_are_censored_not_dropped() -> None:
    samples = np.r_[np.full(60, math.inf), np.full(40, 100.0)]
    estimate = Estimate.from_samples(samples, "s", end=3600.0)
    assert (estimate.status, estimate.value, estimate.low) == ("above", None, 3600.0)


def test_a_few_censored_paths_open_the_interval_only() -> None:
    samples = np.r_[np.full(10, math.inf), np.linspace(100, 110, 90)]
    estimate = Estimate.from_samples(samples, "s", end=3600.0)
    assert estimate.status == "ok"
    assert estimate.high is None
    assert "open" in estimate.why


def test_already_passed_before_the_first_push_is_below() -> None:
    estimate = Estimate.from_samples(np.full(10, -math.inf), "s", start=12.0)
    assert (estimate.status, estimate.high, estimate.value) == ("below", 12.0, None)


@pytest.mark.parametrize(
    "fields",
    [
        {"value": math.nan, "low": None, "high": None, "unit": "Pa"},
        {"value": 1.0, "low": None, "high": None, "unit": "parsec"},
        {"value": 1.0, "low": 2.0, "high": 1.0, "unit": "Pa"},
        {"value": 1.0, "low": 0.0, "high": None, "unit": "Pa", "status": "above", "why": "late"},
        {"value": None, "low": None, "high": 3.0, "unit": "Pa", "status": "above", "why": "late"},
        {"value": None, "low": None, "high": None, "unit": "Pa", "status": "unavailable"},
    ],
)
def test_contradictory_estimates_are_refused(fields: dict[str, object]) -> None:
    with pytest.raises(InputError):
        Estimate(**fields)  # type: ignore[arg-type]


def test_nan_samples_are_refused() -> None:
    with pytest.raises(InputError, match="1 NaN"):
        Estimate.from_samples([1.0, math.nan], "Pa")


@settings(derandomize=True, max_examples=200)
@given(
    st.lists(st.one_of(finite, st.just(math.inf), st.just(-math.inf)), min_size=1, max_size=60),
)
def test_json_never_holds_nan_or_infinity(samples: list[float]) -> None:
    estimate = Estimate.from_samples(samples, "Pa", start=-1e7, end=1e7)
    json.dumps(estimate.as_dict(), allow_nan=False)
    if estimate.value is not None:
        assert estimate.low is None or estimate.low <= estimate.value
        assert estimate.high is None or estimate.value <= estimate.high


@settings(derandomize=True)
@given(st.lists(finite, min_size=1, max_size=50))
def test_quantiles_agree_with_numpy_on_finite_samples(samples: list[float]) -> None:
    estimate = Estimate.from_samples(samples, "Pa")
    expected = np.quantile(samples, [0.025, 0.5, 0.975])
    assert np.allclose([estimate.low, estimate.value, estimate.high], expected, rtol=1e-12, atol=1e-9)  # type: ignore[arg-type]


def test_scaling_keeps_status_and_converts_every_number() -> None:
    estimate = Estimate(300.0, 240.0, 360.0, "s").scaled("min")
    assert (estimate.value, estimate.low, estimate.high, estimate.unit) == (5.0, 4.0, 6.0, "min")
    with pytest.raises(InputError, match="a unit of time"):
        estimate.scaled("Pa")


def test_temperature_scales_with_its_offset() -> None:
    assert Estimate(310.15, None, None, "K").scaled("Cel").value == pytest.approx(37.0)
