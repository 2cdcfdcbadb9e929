"""Knots and splines in one dimension."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from stanch.errors import InputError
from stanch.mechanics.mesh import WALL_SPACING, SplineSpace, axial_knots, graded_knots, radial_knots


@given(st.floats(1e-3, 2e-2), st.floats(1e-4, 1e-3), st.booleans(), st.booleans())
@settings(derandomize=True, max_examples=60)
def test_knots_divide_the_whole_length(length, spacing, first, last):
    knots = graded_knots(length, spacing, (first, last))
    steps = np.diff(knots)
    assert knots[0] == 0.0
    assert knots[-1] == length
    assert steps.min() > 0
    assert steps.max() <= max(1.02 * spacing, length / 4)


def test_knots_crowd_at_walls_only():
    knots = graded_knots(5e-3, 1e-4, (False, True))
    steps = np.diff(knots)
    assert steps[-1] < 3 * WALL_SPACING * 1e-4
    assert steps[0] > 0.9e-4


def test_finer_meshes_have_more_knots():
    assert radial_knots(2.5e-3, 0.5e-3, 2.0).size > 1.6 * radial_knots(2.5e-3, 0.5e-3).size
    assert axial_knots(6e-3, 0.5e-3, 2e-3, 2.0).size > 1.6 * axial_knots(6e-3, 0.5e-3, 2e-3).size


def test_a_mesh_without_end_is_refused():
    with pytest.raises(InputError, match="600 steps"):
        graded_knots(1.0, 1e-9, (True, True))


@pytest.mark.parametrize("derivative", range(6))
def test_splines_are_those_of_scipy(derivative):
    knots = graded_knots(3e-3, 3e-4, (True, True))
    space = SplineSpace(knots, (0, 0))
    padded = np.concatenate([np.full(5, knots[0]), knots, np.full(5, knots[-1])])
    spline = BSpline(padded, np.eye(space.size), 5)
    x = np.concatenate([np.linspace(0.0, 3e-3, 301), knots])
    expected = (spline.derivative(derivative) if derivative else spline)(x)
    assert np.abs(space.values(x, derivative) - expected).max() < 1e-12 * np.abs(expected).max()


def test_dropped_splines_meet_the_boundary_conditions():
    space = SplineSpace(graded_knots(1.0, 0.1, (False, False)), (2, 1))
    ends = np.array([0.0, 1.0])
    value, slope = space.values(ends), space.values(ends, 1)
    assert value.shape == (2, space.size)
    assert np.all(value == 0.0)
    assert np.all(slope[0] == 0.0)
    assert np.any(slope[1] != 0.0)


def test_quadrature_is_exact_for_the_products_that_are_integrated():
    space = SplineSpace(graded_knots(2.0, 0.3, (True, False)), (0, 0))
    x, w = space.quadrature()
    for power in range(15):
        assert w @ x**power == pytest.approx(2.0 ** (power + 1) / (power + 1), rel=1e-12)
