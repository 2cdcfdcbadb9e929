"""Spectral tables of closed wells."""

import dataclasses

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.mechanics import table as module
from stanch.mechanics.response import oscillator
from stanch.mechanics.stokes import KrylovSpace
from stanch.mechanics.table import build, default_depth, heights, spectral_table
from stanch.recording.records import Geometry

MM = 1e-3
PLAIN = Geometry(2.5 * MM, 6 * MM, 3 * MM, 0.5 * MM, 2 * MM, 0.19 * MM)
NEAR_BASE = Geometry(3 * MM, 8 * MM, 1.5 * MM, 0.5 * MM, 2 * MM, 0.19 * MM)
FREE = Geometry(4 * MM, 8 * MM, 4 * MM, 0.5 * MM, 2 * MM, 0.19 * MM, lid="free")
NARROW = Geometry(5 * MM, 8 * MM, 4 * MM, 0.2 * MM, 2 * MM, 0.15 * MM)
SETTINGS = {"density": 1055.0, "push_duration": 2e-4}
TIME = np.arange(1, 97) * 1.25e-4


@pytest.fixture(autouse=True)
def _own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("STANCH_CACHE", str(tmp_path / "tables"))
    module._memory.clear()


@pytest.mark.parametrize("geometry", [PLAIN, NEAR_BASE, FREE, NARROW], ids=["plain", "near base", "free", "narrow"])
def test_mesh_and_rows_have_converged(geometry):
    box = module._box((1.0, 5000.0), (0.003, 2.0))
    depth = np.array([0.0, -0.5, 0.5]) * geometry.push_length
    coarse = build(geometry, depth, TIME, 1055.0, 2e-4, box, 1e-4)
    fine = build(geometry, depth, TIME, 1055.0, 2e-4, box, 1e-6, refinement=1.5)
    for order, limit in ((0, 3e-4), (1, 1.5e-3)):
        a, b = (module._traces(e, f, beam[order:], TIME, 1055.0, 2e-4, box) for e, f, beam in (coarse, fine))
        assert np.abs(a - b).max() < limit
    assert 20 <= coarse[0].size <= 72


def test_any_number_of_rows_reproduces_the_static_response():
    operator = module.StokesOperator.of_well(
        module.radial_knots(2.5 * MM, 0.5 * MM), module.axial_knots(6 * MM, 0.5 * MM, 2 * MM), "rigid"
    )
    load = operator.force(0.5 * MM, 2 * MM, 3 * MM)
    space = KrylovSpace(operator, load)
    space.extend(20)
    beam = operator.beam(0.19 * MM, 0)
    movement = beam @ operator.solve(operator.factorise(), load) @ operator.axial.values(np.array([3 * MM]))[0]
    for rows in (1, 5, 20):
        eigenvalue, force, seen = space.table(rows, np.array([3 * MM]), [beam])
        assert (force * seen[0, :, 0] / eigenvalue).sum() == pytest.approx(movement, rel=1e-9)


def test_axis_order_signs_and_defaults():
    table = spectral_table(PLAIN, **SETTINGS)
    rows = table.eigenvalue.size
    assert table.force.shape == (rows,)
    assert table.beam.shape == (4, rows, table.depth.size)
    assert np.all(np.diff(table.eigenvalue) > 0)
    assert np.all(table.force >= 0)
    assert table.depth[0] == pytest.approx(-3 * MM)
    assert table.depth[-1] == pytest.approx(3 * MM)
    assert 0.0 in table.depth
    static = np.einsum("n,nz->z", table.force / table.eigenvalue, table.beam[0])
    assert static[np.argmin(np.abs(table.depth))] == static.max() > 0
    assert static[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-9 * static.max())


def test_looking_from_the_lid_is_the_well_turned_over():
    low = dataclasses.replace(NEAR_BASE, beam_from="base")
    high = dataclasses.replace(NEAR_BASE, beam_from="lid", focus_height=6.5 * MM)
    a, b = (spectral_table(g, **SETTINGS) for g in (low, high))
    assert a.depth == pytest.approx(b.depth)
    assert a.eigenvalue == pytest.approx(b.eigenvalue, rel=1e-6)
    statics = [np.einsum("n,nz->z", t.force / t.eigenvalue, t.beam[0]) for t in (a, b)]
    assert statics[0] == pytest.approx(statics[1], abs=1e-7 * statics[0].max())
    assert heights(high, np.array([1e-3]))[0] == pytest.approx(5.5 * MM)


def test_outside_the_well_nothing_moves():
    depth = np.array([-3.5, 0.0, 3.5]) * MM
    table = spectral_table(PLAIN, depth=depth, **SETTINGS)
    assert np.all(table.beam[:, :, [0, 2]] == 0.0)
    assert np.any(table.beam[0, :, 1] != 0.0)


def test_default_depth_stays_within_reach_and_well():
    short = dataclasses.replace(PLAIN, push_length=0.4 * MM)
    assert default_depth(short)[[0, -1]] == pytest.approx([-1e-3, 1e-3])
    assert default_depth(NEAR_BASE)[[0, -1]] == pytest.approx([-1.5e-3, 5e-3])


def test_order_zero_is_a_mean_and_order_one_vanishes_for_a_uniform_field():
    from stanch.mechanics.stokes import beam_nodes

    radius, weight = beam_nodes(0.19 * MM, 2.5 * MM, 0)
    _, first = beam_nodes(0.19 * MM, 2.5 * MM, 1)
    assert weight.sum() == pytest.approx(1.0)
    assert first.sum() == pytest.approx(0.0, abs=1e-12)
    # Mean of r^2 under exp(-r^2/w^2) is w^2; its first Laguerre moment is -w^2.
    assert weight @ radius**2 == pytest.approx((0.19 * MM) ** 2)
    assert first @ radius**2 == pytest.approx(-((0.19 * MM) ** 2))


def test_a_table_does_not_depend_on_density_beyond_its_rows():
    box = module._box((1.0, 5000.0), (0.003, 2.0))
    depth = np.array([0.0])
    light, heavy = (build(PLAIN, depth, TIME, rho, 2e-4, box, 1e-5) for rho in (1000.0, 1100.0))
    shared = min(light[0].size, heavy[0].size)
    assert light[0][:3] == pytest.approx(heavy[0][:3], rel=1e-6)
    assert shared > 20


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"density": 0.0}, "density"),
        ({"push_duration": np.nan}, "push_duration"),
        ({"modulus_range": (0.0, 1.0)}, "modulus_range"),
        ({"viscosity_range": (2.0, 1.0)}, "viscosity_range"),
        ({"tolerance": 1.0}, "tolerance"),
        ({"depth": np.array([np.nan])}, "depth"),
        ({"frame_time": np.array([-1.0])}, "frame_time"),
    ],
)
def test_bad_input_is_named(change, words):
    with pytest.raises(InputError, match=words):
        spectral_table(PLAIN, **{**SETTINGS, **change})


def test_a_box_that_cannot_be_reached_says_so(monkeypatch):
    monkeypatch.setattr(module, "MOST_ROWS", 24)
    with pytest.raises(InputError, match="24 rows that leave more"):
        spectral_table(NARROW, **SETTINGS, cache=False)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"push_radius": 1e-9, "beam_radius": 1e-9}, "600 steps"),
        ({"well_radius": 2.5}, "600 steps"),
        ({"push_radius": 2e-5, "push_length": 8e-5}, "matrix entries"),
    ],
)
def test_a_mesh_too_large_is_refused_at_once(change, words):
    with pytest.raises(InputError, match=words):
        spectral_table(dataclasses.replace(PLAIN, **change), **SETTINGS)


@pytest.mark.parametrize("medium", [(0.0, 0.003), (0.0, 0.05), (-5.0, 0.02)])
def test_liquid_blood_is_covered_though_the_box_starts_at_one_pascal(medium):
    few, many = (
        spectral_table(PLAIN, depth=np.zeros(1), **SETTINGS, tolerance=tolerance) for tolerance in (1e-4, 1e-6)
    )
    seen = []
    for table in (few, many):
        scale = table.eigenvalue / 1055.0
        q = oscillator(TIME, medium[0] * scale, 0.5 * medium[1] * scale, 2e-4)[0]
        seen.append(q @ (table.force * table.beam[0, :, 0]))
    assert many.eigenvalue.size > few.eigenvalue.size
    assert np.abs(seen[0] - seen[1]).max() < 1e-5 * seen[1].max()
