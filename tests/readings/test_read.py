"""Readings of curves whose values are known in closed form."""

import math

import numpy as np
import pytest

from stanch.curve.posterior import smooth
from stanch.readings.definitions import Definitions
from stanch.readings.read import read_well

D = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)
KEYS = [
    "onset",
    "gel_time",
    "onset_delay",
    "early_modulus",
    "plateau",
    "plateau_entry",
    "steepest_rise",
    "remaining",
]


def test_readings_of_a_logistic_clot(exact, clot):
    r = read_well(exact(clot()), D, seed=1, well="a")
    assert [x.key for x in r.readings] == KEYS
    crossing = 900.0 - 60.0 * math.log(400.0 / 20.0 - 1.0)
    assert r["onset"].estimate.value == pytest.approx(crossing, abs=0.02)
    assert r["early_modulus"].estimate.value == pytest.approx(float(clot()(crossing + 480.0)), rel=1e-4)
    assert r["plateau"].estimate.value == pytest.approx(400.0, rel=1e-6)
    assert r["plateau_entry"].estimate.value == pytest.approx(900.0 + 60.0 * math.log(19.0), abs=0.1)
    chord = (float(clot()(930.0)) - float(clot()(870.0))) / 60.0
    assert r["steepest_rise"].estimate.value == pytest.approx(chord, rel=1e-4)
    assert r["remaining"].estimate.value == pytest.approx(1.0, abs=1e-6)
    assert {x.estimate.status for x in r.readings if x.samples.size} == {"ok"}


def test_gel_time_needs_a_richer_rheology(exact, clot):
    r = read_well(exact(clot()), D, seed=1)
    for key in ("gel_time", "onset_delay"):
        assert r[key].estimate.status == "unavailable"
        assert "Kelvin-Voigt" in r[key].estimate.why
        assert r[key].samples.size == 0


def test_liquid_to_the_end(exact):
    r = read_well(exact(lambda t: 0.0 * t), D, seed=1)
    onset = r["onset"].estimate
    assert (onset.status, onset.low, onset.high, onset.value) == ("above", 3540.0, None, None)
    assert "20 Pa for 60 s" in onset.why
    assert np.all(r["onset"].samples == math.inf)
    assert r["early_modulus"].estimate.status == "unavailable"
    assert "no anchor" in r["early_modulus"].estimate.why
    assert (r["plateau"].estimate.value, r["plateau"].estimate.low) == (None, 0.0)


def test_set_at_the_first_push(exact):
    r = read_well(exact(lambda t: 100.0 + 0.0 * t), D, seed=1)
    onset = r["onset"].estimate
    assert (onset.status, onset.high, onset.low) == ("below", 0.0, None)
    assert "first push" in onset.why
    assert "before the first push" in r["early_modulus"].estimate.why


def test_the_early_modulus_of_a_weak_well_at_the_base_wells_anchor(exact, clot):
    weak = exact(clot(top=8.0))
    assert read_well(weak, D, seed=1)["early_modulus"].estimate.status == "unavailable"
    anchored = read_well(weak, D, seed=1, anchor_samples=np.full(40, 720.0))
    assert anchored["early_modulus"].estimate.value == pytest.approx(float(clot(top=8.0)(1200.0)), rel=1e-4)


def test_a_hold_that_leaves_the_run(exact, clot):
    e = read_well(exact(clot(), end=1200.0), D, seed=1)["early_modulus"].estimate
    assert e.status == "unavailable"
    assert "outside the run" in e.why


def test_still_rising_is_above_with_a_bound(exact):
    r = read_well(exact(lambda t: 0.1 * t, spread=0.01), D, seed=1)
    plateau = r["plateau"].estimate
    assert (plateau.status, plateau.value, plateau.high) == ("above", None, None)
    assert 340.0 < plateau.low < 354.0
    assert r["plateau_entry"].estimate.status == "above"
    assert r["remaining"].estimate.status == "unavailable"


def test_slow_growth_below_two_percent_counts_as_reached(exact):
    slow = read_well(exact(lambda t: 100.0 * np.exp(0.019 * t / 600.0)), D, seed=1)
    fast = read_well(exact(lambda t: 100.0 * np.exp(0.021 * t / 600.0)), D, seed=1)
    assert slow["plateau"].estimate.status == "ok"
    assert fast["plateau"].estimate.status == "above"


def test_a_peak_followed_by_ten_minutes_is_reached(exact):
    peak = lambda t: 200.0 - np.abs(t - 2900.0) / 20.0  # noqa: E731
    late = lambda t: np.where(t < 3200.0, t / 16.0, 200.0 - (t - 3200.0) / 100.0)  # noqa: E731
    assert read_well(exact(peak), D, seed=1)["plateau"].estimate.value == pytest.approx(198.5)
    assert read_well(exact(late), D, seed=1)["plateau"].estimate.status == "above"


def test_remaining_after_a_loss(exact, clot):
    lysing = lambda t: clot()(t) * np.exp(-np.maximum(t - 1500.0, 0.0) / 3000.0)  # noqa: E731
    r = read_well(exact(lysing), D, seed=1)
    when = r["plateau_entry"].estimate.value + 1500.0
    span = np.linspace(when - 60.0, when + 60.0, 2001)
    wanted = float(np.mean(lysing(span))) / r["plateau"].estimate.value
    assert r["remaining"].estimate.value == pytest.approx(wanted, rel=1e-3)


def test_activation_offset_and_its_doubt(exact, clot):
    plain = read_well(exact(clot(), paths=4000), D, seed=1)
    moved = read_well(exact(clot(), paths=4000), D, seed=1, activation_offset=5.0, activation_sd=2.0)
    for key in ("onset", "plateau_entry"):
        assert moved[key].estimate.value == pytest.approx(plain[key].estimate.value - 5.0, abs=0.15)
        assert moved[key].estimate.high - moved[key].estimate.low == pytest.approx(2 * 1.96 * 2.0, rel=0.06)
    # One clock error per path: the two times move together, and the early modulus not at all.
    assert np.corrcoef(moved["onset"].samples, moved["plateau_entry"].samples)[0, 1] > 0.999
    assert moved["early_modulus"].estimate.value == pytest.approx(plain["early_modulus"].estimate.value, rel=1e-6)


def test_readings_become_final_as_the_run_goes_on(exact, clot):
    def at(end):
        r = read_well(exact(clot(), end=end), D, seed=1, complete=False)
        return {x.key: x.estimate.status for x in r.readings}

    assert at(600.0)["onset"] == "above"
    assert at(840.0)["onset"] == "provisional"
    assert at(1000.0)["onset"] == "ok"
    assert at(1210.0)["early_modulus"] == "provisional"
    assert at(1400.0)["early_modulus"] == "ok"
    assert at(1400.0)["plateau"] == "above"
    assert at(2200.0)["plateau"] == "ok"
    assert at(1000.0)["steepest_rise"] == "provisional"
    assert at(1600.0)["steepest_rise"] == "ok"


def test_systematic_uncertainty_goes_to_moduli_only(exact, clot):
    r = read_well(exact(clot()), D, seed=1, systematic=0.03)
    assert r["plateau"].estimate.systematic == 0.03
    assert r["early_modulus"].estimate.systematic == 0.03
    assert r["onset"].estimate.systematic is None


def test_a_path_or_two_without_onset_leave_the_others_standing(exact, clot):
    curve = exact(clot(), paths=200)
    curve.paths[0] = 0.0
    r = read_well(curve, D, seed=1)
    assert r["onset"].samples[0] == math.inf
    assert r["early_modulus"].samples.size == 200
    assert np.isfinite(r["early_modulus"].samples).all()
    curve.paths[:20] = 0.0
    assert read_well(curve, D, seed=1)["early_modulus"].estimate.status == "unavailable"


def test_a_smoothed_well_reads_near_its_truth(draw, clot):
    curve = smooth(draw(clot(), seed=3), seed=1)
    r = read_well(curve, D, seed=1)
    assert r["onset"].estimate.value == pytest.approx(723.3, abs=6.0)
    assert r["plateau"].estimate.value == pytest.approx(400.0, rel=0.01)
    assert r["plateau"].estimate.low < 400.0 < r["plateau"].estimate.high
    assert r["remaining"].estimate.high == pytest.approx(1.0, abs=1e-9)
