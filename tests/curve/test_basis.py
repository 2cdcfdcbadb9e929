"""Warped time and its splines."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from stanch.curve.basis import Warp, rough_corner, spline_weights

WARP = Warp(corner=600.0, scale=60.0, step=0.1, cap=75.0, start=3.0, end=3600.0)


def test_knots_are_about_h_t_apart_at_the_corner_and_never_more_than_the_cap():
    time = np.linspace(3.0, 3600.0, 20001)
    apart = np.gradient(time, WARP.coordinate(time))
    assert apart[np.argmin(np.abs(time - 600.0))] == pytest.approx(1.0 / (1.0 / 6.0 + 1.0 / 75.0), rel=1e-3)
    assert apart.max() < 75.0
    assert WARP.coordinate(np.array([3.0]))[0] == 0.0


def test_weights_are_the_uniform_cubic_b_spline():
    time = np.linspace(3.0, 3600.0, 301)
    first, weights = spline_weights(WARP, time)
    u = WARP.coordinate(time)
    cardinal = BSpline.basis_element([0.0, 1.0, 2.0, 3.0, 4.0], extrapolate=False)
    for k in range(4):
        assert np.nan_to_num(cardinal(u - (first + k) + 3.0)) == pytest.approx(weights[:, k], abs=1e-12)


@given(st.floats(3.0, 3600.0))
@settings(derandomize=True, max_examples=60)
def test_weights_sum_to_one_and_stay_inside(moment):
    first, weights = spline_weights(WARP, np.array([moment]))
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert weights.min() >= -1e-15
    assert 0 <= first[0] <= WARP.size - 4


def test_the_corner_lies_where_the_curve_leaves_the_liquid():
    time = 6.0 * np.arange(1, 601)
    level = np.log(400.0 / (1.0 + np.exp(-(time - 900.0) / 60.0)) + 10.0)
    corner = rough_corner(time, level, np.full(600, 0.01))
    assert 5.0 < np.exp(np.interp(corner, time, level)) - 10.0 < 25.0


def test_without_a_rise_the_corner_is_the_middle():
    rng = np.random.default_rng(1)
    time = 6.0 * np.arange(1, 601)
    assert rough_corner(time, np.log(10.0) + 0.1 * rng.standard_normal(600), np.full(600, 0.1)) == 1803.0
    assert rough_corner(time[:5], np.zeros(5), np.ones(5)) == 18.0
