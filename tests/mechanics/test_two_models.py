"""The analysis's table against the virtual instrument's modes: two programs that import nothing of each other."""

import math

import numpy as np
import pytest

from stanch.mechanics.response import oscillator
from stanch.mechanics.rheology.response import trace
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Acquisition, Geometry
from stanch.virtual.material import Material
from stanch.virtual.medium import material_response, push_response, well_modes

MM = 1e-3
DENSITY, PUSH = 1055.0, 2e-4
TIME = np.arange(1, 65) * 1.25e-4
WELLS = {
    "rigid": Geometry(2.5 * MM, 6 * MM, 3 * MM, 0.5 * MM, 2 * MM, 0.19 * MM),
    "from the lid": Geometry(2.8 * MM, 7 * MM, 3.2 * MM, 0.4 * MM, 2.2 * MM, 0.19 * MM, beam_from="lid"),
    "free": Geometry(3 * MM, 6 * MM, 3 * MM, 0.5 * MM, 1.5 * MM, 0.25 * MM, lid="free"),
}


@pytest.mark.parametrize("well", WELLS)
@pytest.mark.parametrize("wall", ["bonded", "slip"])
def test_they_agree(well, wall):
    geometry = WELLS[well]
    modes = well_modes(geometry, -1e-3, 1e-3, wall=wall)
    column = int(np.argmin(np.abs(modes.depth - 0.6 * MM)))
    depth = modes.depth[column : column + 1]
    table = spectral_table(geometry, depth=depth, density=DENSITY, push_duration=PUSH, wall=wall, cache=False)
    for modulus, viscosity in ((5.0, 0.02), (200.0, 0.05), (3000.0, 0.3)):
        scale = table.eigenvalue / DENSITY
        q = oscillator(TIME, modulus * scale, 0.5 * viscosity * scale, PUSH)[0]
        h = push_response(modes.eigenvalue, TIME, modulus, viscosity, DENSITY, PUSH)
        for order in (0, 1):
            mine = q @ (table.force * table.beam[order, :, 0])
            other = (modes.force * modes.beam[order, :, column]) @ h
            if order == 0:
                peak = np.abs(mine).max()
            assert np.abs(mine - other).max() < 2e-4 * peak


LATE = np.concatenate([TIME, np.geomspace(9e-3, 100e-3, 12)])
OMEGA = 200 * math.pi
MEDIA = {
    "kelvin_voigt": [{"modulus": 5.0, "viscosity": 0.005}, {"modulus": 1000.0, "viscosity": 0.2}],
    "spring_pot": [
        {"pot": 5.0 / OMEGA**0.7, "order": 0.7},
        {"pot": 60.0 / OMEGA**0.4, "order": 0.4},
        {"pot": 1000.0 / OMEGA**0.05, "order": 0.05},
    ],
    "fractional_kelvin_voigt": [{"modulus": 100.0, "pot": 80.0 / OMEGA**0.5, "order": 0.5}],
    "zener": [
        {"modulus": 20.0, "branch": 60.0, "relaxation": 1e-3},
        {"modulus": 500.0, "branch": 900.0, "relaxation": 2e-4},
    ],
}


@pytest.mark.parametrize("model", MEDIA)
def test_they_agree_on_any_medium_out_to_100_ms(model):
    geometry, acquisition = WELLS["rigid"], Acquisition(40e6, 9e6, 1575.0, DENSITY, PUSH, 2, -2e-3)
    modes = well_modes(geometry, -1e-3, 1e-3)
    column = int(np.argmin(np.abs(modes.depth - 0.6 * MM)))
    depth = modes.depth[column : column + 1]
    table = spectral_table(geometry, depth=depth, density=DENSITY, push_duration=PUSH, frame_time=LATE, cache=False)
    for parameters in MEDIA[model]:
        mine = trace(table, model, parameters, 1.0, acquisition, LATE, depth, np.ones(1))
        rest = {k: v for k, v in parameters.items() if k != "modulus"}
        material = Material(parameters.get("modulus", 0.0), **rest)
        q = material_response(modes.eigenvalue, LATE, material, DENSITY, PUSH)
        other = (modes.force * modes.beam[0, :, column]) @ q / DENSITY
        # Rows are kept for the viscosities of the box; a spring-pot of order 0.05 is damped less.
        assert np.abs(mine - other).max() < 4e-4 * np.abs(mine).max()


def test_a_wall_that_lets_go_moves_further():
    far = []
    for wall in ("bonded", "slip"):
        table = spectral_table(
            WELLS["rigid"], depth=np.zeros(1), density=DENSITY, push_duration=PUSH, wall=wall, cache=False
        )
        far.append(float((table.force * table.beam[0, :, 0] / table.eigenvalue).sum()))
    assert far[1] > 1.05 * far[0]
