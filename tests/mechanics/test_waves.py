"""Waves and pushes without walls."""

import numpy as np
import pytest
from scipy.integrate import quad

from stanch.errors import InputError
from stanch.mechanics import waves
from stanch.mechanics.one_dimensional import free_wall_table
from stanch.mechanics.response import trace
from stanch.recording.records import Acquisition, Geometry


@pytest.mark.parametrize(("modulus", "viscosity"), [(100.0, 0.05), (2.0, 0.5), (0.0, 0.004), (1500.0, 0.0)])
def test_impulse_movement_is_the_hankel_integral(modulus, viscosity):
    a, rho = 0.4e-3, 1055.0

    def kernel(k, t):
        b = viscosity * k**2 / (2 * rho)
        root = np.sqrt(complex(modulus * k**2 / rho - b**2))
        sine = t if abs(root) < 1e-9 else (np.sin(root * t) / root).real
        return k * np.exp(-((k * a) ** 2) / 4 - b * t) * sine

    times = np.array([1e-4, 7e-4, 2e-3])
    found = waves.impulse_movement(times, modulus, viscosity, a, rho)
    for t, value in zip(times, found):
        exact = a**2 / (2 * rho) * quad(kernel, 0, 12.65 / a, args=(t,), limit=2000, epsabs=0, epsrel=1e-9)[0]
        assert value == pytest.approx(exact, rel=1e-6, abs=1e-12)


def test_a_wide_tube_moves_as_an_unbounded_medium_until_the_wall_answers():
    g, eta, a, rho = 300.0, 0.05, 0.4e-3, 1055.0
    short = 1e-6
    table = free_wall_table(Geometry(8e-3, 9e-3, 4e-3, a, 1e-3, 1e-7), depth=np.zeros(1), rows=400)
    acquisition = Acquisition(40e6, 9e6, 1575.0, rho, short, 1, 0.0)
    time = np.linspace(2e-4, 5e-3, 25)
    tube = trace(table, g, eta, 1.0 / short, acquisition, time)
    free = waves.impulse_movement(time - short / 2, g, eta, a, rho)
    assert np.abs(tube - free).max() < 2e-3 * free.max()


def test_bad_input_is_named():
    with pytest.raises(InputError, match="modulus and viscosity"):
        waves.wavenumber(0.0, 0.0, 100.0, 1055.0)
    with pytest.raises(InputError, match="frequency"):
        waves.phase_speed(1.0, 0.1, 0.0, 1055.0)
    with pytest.raises(InputError, match="time"):
        waves.impulse_movement(-1.0, 1.0, 0.1, 1e-3, 1055.0)
    with pytest.raises(InputError, match="medium"):
        waves.impulse_movement(1.0, 1.0, 0.1, 0.0, 1055.0)
    with pytest.raises(InputError, match="push_radius"):
        waves.peak_time(0.0, 1e-3, 1055.0)
    with pytest.raises(InputError, match="time"):
        waves.modulus_from_peak_time(0.0, 1e-3, 1055.0)
    with pytest.raises(InputError, match="frequency"):
        waves.power_law_attenuation(0.0)
    with pytest.raises(InputError, match="sound_speed"):
        waves.radiation_force(1.0, 1.0, 0.0)
    with pytest.raises(InputError, match="duration"):
        waves.heating(1.0, 1.0, 0.0, 1055.0)


def test_damping_thresholds_agree():
    eigenvalue, rho = 2.9e6, 1055.0
    eta = float(waves.critical_viscosity(40.0, eigenvalue, rho))
    assert float(waves.lowest_ringing_modulus(eta, eigenvalue, rho)) == pytest.approx(40.0)
