"""Loss tangent at other frequencies, against the media in closed form."""

import numpy as np
import pytest

from stanch.mechanics.rheology.models import PARAMETERS
from stanch.mechanics.rheology.records import Rheology
from stanch.mechanics.rheology.tangent import loss_tangent_at


def fitted(model, parameters, relative=0.01, frequency=100.0):
    names = PARAMETERS[model]
    nothing = np.zeros(1)
    return Rheology(
        model, frequency, {name: np.array([parameters[name]]) for name in names},
        relative**2 * np.eye(len(names))[None], np.ones(1), nothing, nothing, nothing, nothing, nothing,
    )  # fmt: skip


def test_kelvin_voigt_is_linear_in_frequency():
    one = fitted("kelvin_voigt", {"modulus": 50.0, "viscosity": 0.02})
    for frequency in (1.0, 100.0, 400.0):
        value, low, high = (float(x[0]) for x in loss_tangent_at(one, frequency))
        exact = 2.0 * np.pi * frequency * 0.02 / 50.0
        assert value == pytest.approx(exact, rel=1e-9)
        assert low < exact < high
        if exact < 0.1:
            # ln of a small tangent is uncertain by both parameters; that of the modulus is handed on as ln(G + 10 Pa).
            assert np.log(high / low) / 3.92 == pytest.approx(0.01 * np.hypot(60.0 / 50.0, 1.0), rel=0.01)


def test_pushes_without_moduli_say_nothing():
    one = fitted("kelvin_voigt", {"modulus": 50.0, "viscosity": 0.02})
    one.storage[:] = np.nan
    assert all(np.isnan(x).all() for x in loss_tangent_at(one, 1.0))


def test_an_interval_that_reaches_a_liquid_is_open():
    one = fitted("kelvin_voigt", {"modulus": 0.1, "viscosity": 0.02}, relative=2.0)
    value, low, high = (float(x[0]) for x in loss_tangent_at(one, 100.0))
    assert np.isinf(high)
    assert low < value < np.inf
