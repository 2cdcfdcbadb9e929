import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.virtual.blood import stiffness
from stanch.virtual.blood.choices import Choices

GEL = Choices(rheology="critical_gel")


def test_viscosity_agrees_with_the_other_route() -> None:
    """The package holds the formula twice on purpose: what makes the echoes may not be what reads them."""
    from stanch.mechanics.viscosity import blood_viscosity

    for h in (0.0, 0.2, 0.42, 0.6):
        assert stiffness.liquid_viscosity(h, 1.0) == pytest.approx(float(blood_viscosity(h)), rel=1e-12)


def test_crystalloid_alone_has_its_own_viscosity() -> None:
    assert stiffness.liquid_viscosity(0.0, 0.0) == stiffness.WATER_VISCOSITY.value


def test_fibrin_follows_its_power_law() -> None:
    ratio = stiffness.fibrin_ceiling(2.0, 2.3) / stiffness.fibrin_ceiling(1.0, 2.3)
    assert ratio == pytest.approx(2**2.3)
    assert stiffness.fibrin_ceiling(0.0, 2.0) == 0.0


def test_a_kelvin_voigt_sample_is_spring_and_dashpot() -> None:
    one = stiffness.material(120.0, 0.05, 0.4, 0.9, 1.0, Choices())
    assert one.kelvin_voigt
    assert (one.equilibrium, one.viscosity) == (120.0, 0.05)


@pytest.mark.parametrize("frequency", [0.1, 1.0, 10.0, 100.0, 1000.0])
def test_at_the_gel_point_the_loss_tangent_knows_no_frequency(frequency: float) -> None:
    one = stiffness.material(0.0, 0.004, 0.0, 1.0, 1.0, GEL)
    assert one.loss_tangent(frequency) == pytest.approx(math.tan(0.699387 * math.pi / 2), rel=1e-5)


def test_beyond_the_gel_point_it_rises_with_frequency_and_falls_with_time() -> None:
    young = stiffness.material(20.0, 0.03, 0.3, 1.0, 1.0, GEL)
    older = stiffness.material(100.0, 0.06, 0.5, 1.0, 1.0, GEL)
    assert young.loss_tangent(200.0) > young.loss_tangent(50.0)
    assert older.loss_tangent(100.0) < young.loss_tangent(100.0) < math.tan(0.699387 * math.pi / 2)


@pytest.mark.parametrize("frequency", [1.0, 100.0])
def test_a_mature_clot_loses_little(frequency: float) -> None:
    viscosity = float(0.003 + stiffness.set_viscosity(900.0))
    one = stiffness.material(900.0, viscosity, 1.0, 1.0, 1.0, GEL)
    assert 0.05 < one.loss_tangent(frequency) < 0.2


def test_a_lysed_clot_is_a_liquid_again() -> None:
    one = stiffness.material(0.0, 0.003, 1.0, 1e-9, 1.0, GEL)
    assert one.storage(100.0) < 1e-6
    assert one.loss(100.0) == pytest.approx(2 * math.pi * 100 * 0.003, rel=1e-6)


@settings(derandomize=True, deadline=None)
@given(
    st.floats(0, 5000), st.floats(1e-4, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(1.0, 1000.0)
)
def test_material_and_curves_say_the_same(
    g: float, eta: float, progress: float, kept: float, bridged: float, frequency: float
) -> None:
    for rheology in ("kelvin_voigt", "critical_gel"):
        choices = Choices(rheology=rheology, frequency=frequency)  # type: ignore[arg-type]
        one = stiffness.material(g, eta, progress, kept, bridged, choices)
        said = float(stiffness.storage(g, eta, progress, kept, bridged, choices))
        assert one.storage(frequency) == pytest.approx(said, rel=1e-9, abs=1e-12)
        assert one.loss(frequency) == pytest.approx(2 * np.pi * frequency * eta, rel=1e-9)
        assert said >= g * (1 - 1e-12)


def test_the_exponent_of_a_gel_needs_a_dimension() -> None:
    with pytest.raises(InputError):
        stiffness.gel_exponent(2.6)
