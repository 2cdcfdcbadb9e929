from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.virtual.course import Course
from stanch.virtual.growth import Growth


def test_growth_at_known_times():
    growth = Growth(100.0, 120.0, 60.0, stiffening_modulus=600.0, stiffening_time=120.0, stiffening_delay=30.0)
    assert growth.modulus([0.0, 100.0]).tolist() == [0.0, 0.0]
    expected = 120 * (1 - math.exp(-1)) ** 2 + 600 * (1 - math.exp(-30 / 120)) ** 2
    assert growth.modulus(160.0) == pytest.approx(expected, rel=1e-12)
    assert growth.modulus(1e5) == pytest.approx(720.0, rel=1e-12)


def test_lysis_reaches_its_rate_and_leaves_retraction_alone():
    growth = Growth(0.0, 100.0, 1.0, lysis_rate=0.013 / 60, lysis_start=600.0)
    late = growth.kept([4000.0, 4060.0])
    assert late[1] / late[0] == pytest.approx(math.exp(-0.013), rel=1e-6)
    assert growth.kept(600.0) == 1.0
    retracting = Growth(0.0, 100.0, 1.0, retraction_rate=0.013 / 60, retraction_start=600.0)
    assert retracting.modulus(4000.0) == pytest.approx(growth.modulus(4000.0), rel=1e-12)
    assert retracting.kept(4000.0) == 1.0


def test_a_sample_that_never_clots():
    growth = Growth(math.inf, 100.0, 60.0, liquid_viscosity=0.004)
    assert not growth.modulus([0.0, 1e5]).any()
    assert growth.viscosity(1e5) == 0.004
    assert not growth.progress(1e5)


def test_retraction_moves_the_sample():
    growth = Growth(0.0, 100.0, 60.0, retraction_start=60.0, retraction_speed=1e-7)
    assert growth.shift(60.0) == 0.0
    assert np.diff(growth.shift([3000.0, 3010.0]))[0] == pytest.approx(1e-6, rel=1e-4)


@settings(derandomize=True, max_examples=50)
@given(start=st.floats(0, 1000), network=st.floats(1, 1000), constant=st.floats(10, 1000), stiff=st.floats(0, 3000))
def test_growth_without_loss_never_falls(start, network, constant, stiff):
    growth = Growth(start, network, constant, stiffening_modulus=stiff, stiffening_delay=60.0)
    curve = growth.modulus(np.linspace(0, 4000, 500))
    assert (np.diff(curve) >= -1e-9 * network).all()
    assert curve.max() <= (network + stiff) * (1 + 1e-12)


def test_a_diluted_sample():
    thin = Growth(30.0, 100.0, 60.0, stiffening_modulus=300.0, liquid_viscosity=0.004).diluted(0.5)
    assert thin.modulus(1e6) == pytest.approx(100.0, rel=1e-12)
    assert thin.viscosity(0.0) == pytest.approx(0.0025, rel=1e-12)
    assert thin.start == 30.0


def test_growth_is_a_course_of_kelvin_voigt_samples():
    course: Course = Growth(12.0, 400.0, 20.0)
    material = course.material(40.0)
    assert material.kelvin_voigt
    assert (material.equilibrium, material.viscosity) == (course.modulus(40.0), course.viscosity(40.0))
    assert course.detached(1e4) is None
