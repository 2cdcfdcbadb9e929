"""Tables of tubes so long that only the radius matters."""

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.mechanics.one_dimensional import free_wall_table, static_movement, zero_flux_table
from stanch.mechanics.response import oscillator
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Geometry

GEOMETRY = Geometry(2.5e-3, 6e-3, 3e-3, 0.5e-3, 2e-3, 0.19e-3)
TIME = np.arange(1, 97) * 1.25e-4
DENSITY = 1055.0


def _movement(table, modulus, viscosity, order=0, column=0):
    scale = table.eigenvalue / DENSITY
    q = oscillator(TIME, modulus * scale, 0.5 * viscosity * scale, 2e-4)[0]
    return q @ (table.force * table.beam[order, :, column]) / DENSITY


@pytest.mark.parametrize("build", [free_wall_table, zero_flux_table])
@pytest.mark.parametrize("order", [0, 1])
def test_rows_have_converged(build, order):
    few, many = build(GEOMETRY), build(GEOMETRY, rows=400)
    for medium in ((5.0, 0.01), (200.0, 0.05), (3000.0, 0.3)):
        peak = np.abs(_movement(many, *medium)).max()
        assert np.abs(_movement(few, *medium, order) - _movement(many, *medium, order)).max() < 1e-3 * peak


def test_a_long_closed_well_with_a_long_push_is_the_zero_flux_tube():
    long = Geometry(2.5e-3, 40e-3, 20e-3, 0.5e-3, 60e-3, 0.19e-3)
    real = spectral_table(long, depth=np.zeros(1), density=DENSITY, push_duration=2e-4, cache=False)
    tube, free = (build(long, depth=np.zeros(1)) for build in (zero_flux_table, free_wall_table))
    for medium in ((20.0, 0.02), (200.0, 0.05), (1000.0, 0.2)):
        truth = _movement(real, *medium)
        assert np.abs(_movement(tube, *medium) - truth).max() < 0.01 * truth.max()
        assert np.abs(_movement(free, *medium) - truth).max() > 0.03 * truth.max()


def test_zero_flux_and_no_slip():
    radius = np.linspace(0.0, 2.5e-3, 4001)
    closed = static_movement(radius, 2.5e-3, 0.5e-3, closed=True)
    assert closed[-1] == pytest.approx(0.0, abs=1e-9 * closed[0])
    assert np.trapezoid(closed * radius, radius) == pytest.approx(0.0, abs=1e-5 * closed[0] * (0.5e-3) ** 2)


def test_static_movement_solves_its_equation():
    radius = np.linspace(1e-4, 2.4e-3, 2001)
    u = static_movement(radius, 2.5e-3, 0.5e-3, closed=False)
    slope = np.gradient(u, radius, edge_order=2)
    curl = np.gradient(radius * slope, radius, edge_order=2) / radius
    assert -curl[5:-5] == pytest.approx(np.exp(-((radius[5:-5] / 0.5e-3) ** 2)), abs=1e-4)


def test_all_depths_are_alike_and_rows_are_checked():
    table = free_wall_table(GEOMETRY)
    assert np.ptp(table.beam, axis=2).max() == 0.0
    with pytest.raises(InputError, match="rows"):
        zero_flux_table(GEOMETRY, rows=1)
