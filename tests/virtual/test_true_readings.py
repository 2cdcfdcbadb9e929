"""Readings of curves drawn by hand, against arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.curve.records import Curve
from stanch.readings.definitions import Definitions
from stanch.readings.read import read_well
from stanch.virtual.growth import Growth
from stanch.virtual.material import Material
from stanch.virtual.true_readings import true_curve, true_readings

from .curves import Drawn

D = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)


def read(course, end=3600.0, begin=0.0, definitions=D, frequency=100.0):
    return true_readings({"w": course}, definitions, begin=begin, end=end, frequency=frequency)["w"]


def test_a_ramp_and_a_flat_top():
    """Zero until 100 s, 1 Pa/s up to 400 Pa at 500 s, then flat."""
    found = read(Drawn((0, 100, 500, 3600), (0, 0, 400, 400)))
    assert found["onset"].value == pytest.approx(120.0, abs=1e-9)
    assert found["early_modulus"].value == pytest.approx(400.0)
    assert found["plateau"].value == pytest.approx(400.0)
    assert found["plateau_entry"].value == pytest.approx(480.0)
    assert found["steepest_rise"].value == pytest.approx(1.0)
    assert found["remaining"].value == pytest.approx(1.0)
    # The loss modulus is 2 pi 100 Hz 0.05 Pa·s = 31.4 Pa.
    assert found["gel_time"].value == pytest.approx(100 + 200 * math.pi * 0.05, abs=1e-5)
    assert found["onset_delay"].value == pytest.approx(20 - 200 * math.pi * 0.05, abs=1e-5)


def test_a_decline_after_the_top():
    """Up to 300 Pa at 700 s, and down by a quarter from 1000 s to 3000 s."""
    found = read(Drawn((0, 100, 700, 1000, 3000, 3600), (0, 0, 300, 300, 225, 225)))
    assert found["plateau"].value == pytest.approx(300.0)
    assert found["plateau_entry"].value == pytest.approx(100 + 0.95 * 600)
    at = 670 + 1500
    assert found["remaining"].value == pytest.approx((300 - 75 * (at - 1000) / 2000) / 300)
    assert found["early_modulus"].value == pytest.approx((140 + 480 - 100) * 0.5)


def test_early_modulus_one_hold_after_the_onset():
    found = read(Drawn((0, 1000), (0, 1000)), end=1000.0)
    assert found["early_modulus"].value == pytest.approx(500.0)
    late = read(Drawn((0, 1000), (0, 1000)), end=499.0)
    assert late["early_modulus"].status == "unavailable"
    assert "8.3 min" in late["early_modulus"].why


def test_onset_needs_the_dwell():
    dip = Drawn((0, 100, 110, 130, 180, 3600), (0, 30, 30, 10, 30, 30))
    assert read(dip)["onset"].value == pytest.approx(155.0)
    short = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0, dwell=30.0)
    assert read(dip, definitions=short)["onset"].value == pytest.approx(200 / 3)


def test_outside_the_run():
    weak = read(Drawn((0, 3600), (0, 19)))
    assert (weak["onset"].status, weak["onset"].low) == ("above", 3540.0)
    assert "20 Pa for 60 s by 60.0 min" in weak["onset"].why
    assert weak["early_modulus"].status == "unavailable"
    gel = read(Drawn((0, 1), (250, 250)), begin=12.0)
    assert (gel["onset"].status, gel["onset"].high) == ("below", 12.0)
    assert gel["gel_time"].status == "below"
    assert gel["early_modulus"].status == "unavailable"
    assert gel["plateau"].value == pytest.approx(250.0)
    assert gel["plateau_entry"].status == "below"
    liquid = read(Drawn((0, 1), (0, 0)))
    assert liquid["plateau"].value == 0.0
    assert liquid["plateau_entry"].status == "unavailable"
    assert liquid["remaining"].status == "unavailable"
    brief = read(Drawn((0, 50), (0, 100)), end=50.0)
    assert brief["plateau"].status == brief["steepest_rise"].status == "unavailable"


def test_a_curve_that_still_rises():
    """The last two-minute mean of a line from 0 to 3600 Pa is that at one minute before the end."""
    found = read(Drawn((0, 3600), (0, 3600)))
    assert (found["plateau"].status, found["plateau"].low) == ("above", pytest.approx(3540.0))
    assert (found["plateau_entry"].status, found["plateau_entry"].low) == ("above", pytest.approx(0.95 * 3540))
    assert found["steepest_rise"].value == pytest.approx(1.0)
    bent = read(Drawn((0, 3500, 3600), (0, 100, 300)))
    assert bent["steepest_rise"].status == "above"
    # Less than 2 % of growth over the last ten minutes counts as flat.
    assert read(Drawn((0, 3000, 3600), (0, 100, 101.9)))["plateau"].status == "ok"
    assert read(Drawn((0, 3000, 3600), (0, 100, 102.1)))["plateau"].status == "above"


def test_gel_time_of_a_sample_that_is_not_kelvin_voigt():
    class Stiffening(Drawn):
        def material(self, time):
            # A spring-pot of order n has the loss tangent tan(n pi/2) at every frequency: 1 for n = 1/2.
            return Material(0.0, pot=10.0, order=max(0.05, 0.9 - time / 1000))

    course = Stiffening((0, 3600), (0, 1000))
    for frequency in (1.0, 100.0):
        assert read(course, frequency=frequency)["gel_time"].value == pytest.approx(400.0, abs=1e-4)


def test_closed_form_of_growth():
    found = read(Growth(100.0, 80.0, 60.0), end=2000.0)
    onset = 100.0 - 60.0 * math.log(1 - math.sqrt(20.0 / 80.0))
    assert found["onset"].value == pytest.approx(onset, abs=1e-3)
    age = onset + 480.0 - 100.0
    assert found["early_modulus"].value == pytest.approx(80.0 * (1 - math.exp(-age / 60.0)) ** 2, rel=1e-6)
    assert found["plateau"].value == pytest.approx(80.0, rel=1e-6)


def test_wells_with_runs_of_their_own():
    course = Drawn((0, 1000), (0, 1000))
    found = true_readings({"a": course, "b": course}, D, begin={"a": 0.0, "b": 30.0}, end={"a": 600.0, "b": 400.0})
    assert found["a"]["onset"].value == pytest.approx(20.0)
    assert found["b"]["onset"].status == "below"
    assert found["a"]["early_modulus"].value == pytest.approx(500.0)


@pytest.mark.parametrize("seed", range(6))
def test_the_analysis_reads_the_same_from_a_curve_without_error(seed):
    """Two codes: one on hand-made grids, the analysis' own on a single sample path."""
    rng = np.random.default_rng(seed)
    growth = Growth(
        rng.uniform(60, 900),
        rng.uniform(20, 400),
        rng.uniform(60, 300),
        stiffening_modulus=rng.uniform(0, 900),
        stiffening_time=rng.uniform(100, 500),
        lysis_rate=rng.uniform(0, 4e-4),
        lysis_start=600.0,
    )
    truth = true_curve(growth, 12.0, 3600.0)
    g = truth.modulus
    curve = Curve(truth.time, g, g, g, g[None, :], None, None, None, truth.time, 0, {})
    theirs = read_well(curve, D, seed=0)
    mine = read(growth, begin=12.0)
    for reading in theirs.readings:
        if reading.key in ("gel_time", "onset_delay"):
            continue
        own = mine[reading.key]
        assert own.status == reading.estimate.status, reading.key
        if own.value is not None:
            assert own.value == pytest.approx(reading.estimate.value, rel=2e-3), reading.key
