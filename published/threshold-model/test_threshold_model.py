"""Source: threshold model after Papadopoulos et al. 2014, Med Eng Phys, and identities of the Gompertz curve.

The citation is from memory, the constants were seen in the code of a thesis, the values were computed for this project;
see source.toml.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from stanch.virtual.blood.network import Network, reaction
from stanch.virtual.blood.stiff import solve

spec = importlib.util.spec_from_file_location("threshold_model", Path(__file__).with_name("model.py"))
assert spec is not None
assert spec.loader is not None
model = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = model
spec.loader.exec_module(model)


def test_every_value_is_met_to_the_digits_given() -> None:
    found = model.found()
    assert len(model.values()) == len(found) == 4
    for line in model.values():
        value = float(line["value"])
        # The grid of the peak's time is 0.01 s.
        room = 0.011 if line["quantity"] == "IIa peak at [s]" else 0.51 * 10 ** -len(line["value"].partition(".")[2])
        assert found[line["quantity"]] == pytest.approx(value, abs=room)
        assert found[line["quantity"]] == pytest.approx(value, rel=float(line["tolerance"]))


def test_a_gompertz_curve_as_a_network() -> None:
    # y' = y z/b, z' = -z/b with z = exp(-(t - tm)/b) gives y = A exp(-z).
    height, middle, b = 2.0, 30.0, 7.0
    grows = Network(
        (
            reaction("Y + Z -> Y + Y + Z", 1e3 / b, source="closed form"),
            reaction("Z ->", 1 / b, source="closed form"),
        )
    )
    # Begun where z = 15 and y is not yet lost in rounding.
    begin = middle - b * math.log(15.0)
    assert begin > 0
    start = grows.initial({"Y": height * math.exp(-15.0), "Z": 15.0})
    course = solve(grows, start, duration=100.0, step=0.001, rtol=1e-10, atol=1e-14)
    time = begin + course.time
    y = height * np.exp(-np.exp(-(time - middle) / b))
    np.testing.assert_allclose(course["Y"], y, rtol=1e-7)
    rate = np.gradient(course["Y"], time)
    top = int(np.argmax(rate))
    assert rate[top] == pytest.approx(height / (math.e * b), rel=1e-6)
    assert time[top] == pytest.approx(middle, abs=0.02)
    assert np.interp(middle, time, course["Y"]) == pytest.approx(height / math.e, rel=1e-6)
    at = float(np.interp(middle, time, course["Y"]))
    assert middle - at / float(np.interp(middle, time, rate)) == pytest.approx(middle - b, abs=1e-4)
