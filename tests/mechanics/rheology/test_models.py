"""Models: moduli against the virtual sample's own formula, gradients, ranges, damping of a mode."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.mechanics.rheology import models
from stanch.mechanics.rheology.models import (
    PARAMETERS,
    damping_ratio,
    from_search,
    log_jacobian,
    modulus_gradient,
    modulus_of_search,
    relaxance,
    to_search,
)
from stanch.mechanics.rheology.records import MODELS
from stanch.virtual.material import Material

MEDIA = {
    "kelvin_voigt": {"modulus": 120.0, "viscosity": 0.07},
    "spring_pot": {"pot": 4.0, "order": 0.4},
    "fractional_kelvin_voigt": {"modulus": 30.0, "pot": 4.0, "order": 0.6},
    "zener": {"modulus": 30.0, "branch": 55.0, "relaxation": 3e-3},
}
SAMPLES = {
    "kelvin_voigt": Material(120.0, viscosity=0.07),
    "spring_pot": Material(0.0, pot=4.0, order=0.4),
    "fractional_kelvin_voigt": Material(30.0, pot=4.0, order=0.6),
    "zener": Material(30.0, branch=55.0, relaxation=3e-3),
}


def test_every_model_has_parameters():
    assert set(PARAMETERS) == set(MODELS)


@pytest.mark.parametrize("model", MODELS)
def test_modulus_is_that_of_the_virtual_sample(model):
    s = np.array([5j, 2j * np.pi * 100, 300 + 400j, -20 + 7j])
    assert relaxance(model, MEDIA[model], s) == pytest.approx(SAMPLES[model].relaxance(s), rel=1e-12)


@pytest.mark.parametrize("model", MODELS)
@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.floats(0.2, 500.0), st.floats(0.2, 500.0))
def test_gradients_are_those_of_the_moduli(model, frequency, at):
    x = to_search(model, MEDIA[model], frequency)
    value, slope = modulus_gradient(model, x, frequency, at)
    nudge = 1e-5 * np.eye(x.size)
    for j in range(x.size):
        up, down = (modulus_gradient(model, x + sign * nudge[j], frequency, at)[0] for sign in (1, -1))
        assert slope[:, j] == pytest.approx((up - down) / 2e-5, rel=1e-6, abs=1e-7 * np.abs(value).max())


@pytest.mark.parametrize("model", MODELS)
def test_search_and_back(model):
    x = to_search(model, MEDIA[model], 80.0)
    back = from_search(model, x, 80.0)
    for name, value in MEDIA[model].items():
        assert back[name] == pytest.approx(value, rel=1e-12)
    # Derivatives of the logarithms of the parameters, the modulus with 10 Pa added.
    nudge = 1e-6 * np.eye(x.size)

    def logs(at):
        return np.array(
            [math.log(v + (10.0 if k == "modulus" else 0.0)) for k, v in from_search(model, at, 80.0).items()]
        )

    for j in range(x.size):
        numeric = (logs(x + nudge[j]) - logs(x - nudge[j])) / 2e-6
        assert log_jacobian(model, x, 80.0)[:, j] == pytest.approx(numeric, abs=1e-8)


def test_a_spring_pot_has_one_loss_tangent_at_all_frequencies():
    # Winter and Chambon's relation at the gel point: tan(order pi/2).
    g = relaxance("spring_pot", {"pot": 7.0, "order": 0.699387}, 2j * np.pi * np.array([0.1, 1.0, 50.0, 900.0]))
    assert g.imag / g.real == pytest.approx(1.95794, rel=1e-5)


def test_limits_of_the_order():
    s = 2j * np.pi * np.array([1.0, 100.0])
    spring = relaxance("spring_pot", {"pot": 40.0, "order": 1e-9}, s)
    dashpot = relaxance("spring_pot", {"pot": 0.3, "order": 1.0}, s)
    assert spring == pytest.approx(np.full(2, 40.0 + 0j), rel=1e-7)
    assert dashpot == pytest.approx(relaxance("kelvin_voigt", {"modulus": 0.0, "viscosity": 0.3}, s), rel=1e-12)


def test_a_fast_or_slow_branch_is_a_dashpot_or_a_spring():
    s = 2j * np.pi * 100.0
    fast = relaxance("zener", {"modulus": 50.0, "branch": 2e6, "relaxation": 1e-8}, s)
    assert fast == pytest.approx(relaxance("kelvin_voigt", {"modulus": 50.0, "viscosity": 0.02}, s), rel=1e-4)
    assert relaxance("zener", {"modulus": 50.0, "branch": 70.0, "relaxation": 1e4}, s) == pytest.approx(120.0, rel=1e-6)


def test_damping_ratio_of_kelvin_voigt():
    eigenvalue, density = 26.37461643 / 9e-6, 1060.0
    # Critical viscosity of the first mode of a long closed tube of 3 mm radius: 0.38037 Pa s at 100 Pa.
    assert damping_ratio(
        "kelvin_voigt", {"modulus": 100.0, "viscosity": 0.38037}, eigenvalue, density
    ) == pytest.approx(1.0, rel=2e-5)
    assert damping_ratio("kelvin_voigt", {"modulus": 0.0, "viscosity": 0.004}, eigenvalue, density) == math.inf
    near = damping_ratio("fractional_kelvin_voigt", {"modulus": 100.0, "pot": 0.1, "order": 1.0}, eigenvalue, density)
    assert near == pytest.approx(0.1 / 0.38037, rel=2e-5)


def test_damping_ratio_of_a_spring_pot_depends_on_its_order_alone():
    for order in (0.1, 0.5, 0.9):
        expected = -math.cos(math.pi / (2.0 - order))
        for pot, eigenvalue in ((3.0, 1e6), (900.0, 5e7)):
            got = damping_ratio("spring_pot", {"pot": pot, "order": order}, eigenvalue, 1050.0)
            assert got == pytest.approx(expected, rel=1e-9)
    assert damping_ratio("spring_pot", {"pot": 3.0, "order": 1.1}, 1e6, 1050.0) == 1.0


@pytest.mark.parametrize(
    ("model", "parameters", "word"),
    [
        ("maxwell", {"modulus": 1.0}, "rheology model"),
        ("zener", {"modulus": 1.0, "branch": 2.0}, "parameters of zener"),
        ("zener", {"modulus": 1.0, "branch": -2.0, "relaxation": 1e-3}, "branch"),
        ("kelvin_voigt", {"modulus": -10.0, "viscosity": 0.1}, "modulus"),
        ("kelvin_voigt", {"modulus": math.nan, "viscosity": 0.1}, "modulus"),
        ("fractional_kelvin_voigt", {"modulus": 1.0, "pot": 1.0, "order": 1.1}, "order"),
    ],
)
def test_refusals(model, parameters, word):
    with pytest.raises(InputError, match=word):
        relaxance(model, parameters, 1j)


def test_frequencies_are_positive():
    with pytest.raises(InputError, match="frequency"):
        to_search("spring_pot", MEDIA["spring_pot"], 0.0)
    with pytest.raises(InputError, match="eigenvalue"):
        damping_ratio("zener", MEDIA["zener"], -1.0, 1000.0)


@pytest.mark.parametrize("model", MODELS)
def test_compiled_and_plain_moduli_agree(model):
    from stanch.mechanics.rheology import kernel

    x = to_search(model, MEDIA[model], 100.0)
    g = np.zeros(9, dtype=complex)
    for s in (30 + 40j, -500 + 200j):
        kernel.relaxance(kernel.KINDS[model], x, 200 * np.pi, s, g)
        value, slope = modulus_of_search(model, x, 100.0, s)
        assert g[0] == pytest.approx(complex(value), rel=1e-12)
        assert g[3 : 3 + x.size] == pytest.approx(slope, rel=1e-12)
        h = 1e-4 * abs(s)
        ahead, behind = (modulus_of_search(model, x, 100.0, s + d) for d in (h, -h))
        assert g[1] == pytest.approx(complex(ahead[0] - behind[0]) / (2 * h), rel=1e-6, abs=1e-12)
        assert g[2] == pytest.approx(complex(ahead[0] - 2 * value + behind[0]) / h**2, rel=1e-5, abs=1e-5)
        assert g[6 : 6 + x.size] == pytest.approx((ahead[1] - behind[1]) / (2 * h), rel=1e-6, abs=1e-9)
    assert models.MOST_ORDER["fractional_kelvin_voigt"] == 1.0
