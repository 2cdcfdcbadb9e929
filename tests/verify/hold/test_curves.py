"""Readings of plain curves: exact values on curves that can be worked out by hand."""

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.hold import read_curve, read_curves

SETTINGS = {"onset_modulus": 10.0, "dwell": 60.0}


def _ramp(step=10.0, end=2000.0):
    """0 until 100 s, then 1 Pa/s up to 400 Pa at 500 s, flat after."""
    time = np.arange(0.0, end + 1, step)
    return time, np.clip(time - 100.0, 0.0, 400.0)


def test_a_ramp_read_by_hand():
    found = read_curve(*_ramp(), [60.0, 300.0, 5000.0], **SETTINGS)
    assert found.onset[0] == pytest.approx(110.0)
    assert found.early[0, :2].tolist() == pytest.approx([70.0, 310.0])
    assert math.isnan(found.early[0, 2])
    assert found.plateau[0] == pytest.approx(400.0)
    assert not found.plateau_open[0]
    assert found.entry[0] == pytest.approx(100.0 + 0.95 * 400.0)


def test_uneven_times_do_not_change_a_curve_of_straight_lines():
    time, g = _ramp()
    keep = np.sort(
        np.r_[0, 10, 50, len(time) - 1, np.random.default_rng(0).choice(np.arange(1, len(time) - 1), 90, False)]
    )
    keep = np.unique(keep)
    found = read_curve(time[keep], g[keep], [60.0], **SETTINGS)
    assert found.onset[0] == pytest.approx(110.0)
    assert found.early[0, 0] == pytest.approx(70.0)
    assert found.plateau[0] == pytest.approx(400.0)


def test_a_dip_within_the_dwell_puts_the_onset_off():
    time = np.arange(0.0, 1000.0, 10.0)
    g = np.where(time >= 100, 50.0, 0.0)
    g[13] = 0.0
    found = read_curve(time, g, [60.0], **SETTINGS)
    assert found.onset[0] == pytest.approx(130.0 + 10 * 0.2)


def test_a_run_that_ends_rising_leaves_the_plateau_open():
    time = np.arange(0.0, 1500.0, 5.0)
    found = read_curve(time, time, [60.0], **SETTINGS)
    assert found.plateau_open[0]
    assert found.plateau[0] == pytest.approx(time[-1] - 60.0)
    assert found.entry[0] == time[-1]


@pytest.mark.parametrize(("level", "onset"), [(0.0, math.inf), (50.0, -math.inf)])
def test_never_and_always(level, onset):
    found = read_curve([0.0, 100, 200, 300], [level] * 4, [60.0], **SETTINGS)
    assert found.onset[0] == onset
    assert math.isnan(found.early[0, 0])


def test_a_run_shorter_than_the_window_has_no_plateau():
    found = read_curve([0.0, 50, 100], [0.0, 20, 30], [1.0], **SETTINGS)
    assert math.isnan(found.plateau[0])


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_scales_of_the_modulus_go_through(scale):
    time, g = _ramp()
    plain = read_curve(time, g, [60.0], **SETTINGS)
    other = read_curve(time, scale * g, [60.0], onset_modulus=10.0 * scale, dwell=60.0)
    assert other.onset[0] == pytest.approx(plain.onset[0])
    assert other.plateau[0] == pytest.approx(scale * plain.plateau[0])


def test_a_long_table_in_any_order_is_the_single_curves():
    time, g = _ramp()
    turn = np.random.default_rng(1).permutation(2 * time.size)
    which, t, y = np.repeat([0, 1], time.size), np.tile(time, 2), np.r_[g, 2 * g]
    found = read_curves(which[turn], t[turn], y[turn], [60.0], **SETTINGS)
    one, two = (read_curve(time, k * g, [60.0], **SETTINGS) for k in (1, 2))
    assert found.plateau.tolist() == [one.plateau[0], two.plateau[0]]
    assert found.onset.tolist() == [one.onset[0], two.onset[0]]


@pytest.mark.parametrize(
    ("time", "g", "options", "words"),
    [
        ([0.0, 0.0], [1.0, 2.0], {}, "rising"),
        ([0.0, 1.0], [1.0, np.nan], {}, "not finite"),
        ([0.0, 1.0], [1.0, 2.0], {"onset_modulus": 0.0}, "above 0"),
        ([0.0, 1.0], [1.0, 2.0], {"dwell": -1.0}, "0 s or more"),
    ],
)
def test_what_is_no_curve_is_refused(time, g, options, words):
    with pytest.raises(InputError, match=words):
        read_curve(time, g, [60.0], **{**SETTINGS, **options})


def test_a_time_given_twice_in_a_table_is_refused():
    with pytest.raises(InputError, match="one time twice"):
        read_curves([0, 0, 0], [1.0, 1.0, 2.0], [1.0, 2, 3], [60.0], **SETTINGS)
