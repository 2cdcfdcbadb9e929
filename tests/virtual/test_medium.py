"""Movement in the virtual well against closed forms and values computed by other routes.

Eigenvalues: exact zeros of J2 for a long closed tube; for finite closed cylinders the values of a Galerkin and of a
staggered finite-difference computation made for this project (agreement 1e-6). Push response: modal sum and an
independent radial finite-difference run, agreement 2e-4 um.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from stanch.errors import InputError
from stanch.recording.records import Geometry
from stanch.virtual.material import Material
from stanch.virtual.medium import material_response, push_response, well_eigenvalues, well_modes

WELL = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
J2_ZERO = 5.1356223018


def unit_well(ratio: float, lid: str = "rigid") -> Geometry:
    return Geometry(1.0, ratio, ratio / 2, 0.3, 0.5, 0.1, lid="free" if lid == "free" else "rigid")


@pytest.mark.parametrize(
    ("ratio", "kappa"), [(0.5, 150.675694), (1.0, 46.636159), (2.0, 29.158983), (3.0, 27.308451), (4.0, 26.829073)]
)
def test_lowest_eigenvalue_of_a_closed_cylinder(ratio, kappa):
    assert well_eigenvalues(unit_well(ratio), 1)[0] == pytest.approx(kappa, rel=1e-6)


def test_higher_eigenvalues_of_a_closed_cylinder():
    np.testing.assert_allclose(well_eigenvalues(unit_well(1.0), 4), [46.636, 84.329, 91.639, 124.846], rtol=2e-5)


@pytest.mark.parametrize(("ratio", "kappa"), [(1.0, 37.898532), (2.0, 28.298729)])
def test_second_mode_of_twice_the_height_is_that_of_a_frictionless_rigid_lid(ratio, kappa):
    assert well_eigenvalues(unit_well(2 * ratio), 2)[1] == pytest.approx(kappa, rel=1e-6)


@pytest.mark.parametrize(("ratio", "kappa"), [(1.0, 25.93), (2.0, 24.11), (3.0, 24.09)])
def test_free_top(ratio, kappa):
    """The other computation of the traction-free top had converged to about 3e-4."""
    assert well_eigenvalues(unit_well(ratio, "free"), 1)[0] == pytest.approx(kappa, rel=1e-3)


def test_long_closed_tube_tends_to_the_first_zero_of_j2():
    ends = [well_eigenvalues(unit_well(h), 1, refine=1.0)[0] - J2_ZERO**2 for h in (10.0, 20.0)]
    assert 0 < ends[1] < 0.05
    assert ends[0] / ends[1] == pytest.approx(4.0, rel=0.15)


LONG = Geometry(3e-3, 18e-3, 9e-3, np.sqrt(2) * 0.25e-3, 0.5, 0.02e-3)


@pytest.fixture(scope="module")
def long_tube():
    return well_modes(LONG, -0.1e-3, 0.1e-3, refine=1.6)


def on_axis(modes, response):
    return (modes.force[:, None] * response).T @ modes.mixing @ modes.axial[:, 0, modes.depth.size // 2]


@pytest.mark.parametrize(
    ("g", "eta", "peak", "at", "later"),
    [
        (10, 0.02, 24.8560, 4.325, (17.9661, 24.5213, -2.12921)),
        (100, 0.05, 8.1266, 1.745, (7.9553, 1.4610, -0.93676)),
        (1000, 0.2, 1.9605, 1.075, (0.4200, 0.3484, 0.00330)),
        (3000, 0.3, 0.7994, 1.000, (-0.2962, 0.0159, -0.00018)),
    ],
)
def test_push_response_of_a_long_closed_tube(long_tube, g, eta, peak, at, later):
    scale = 2e4 / 1060 * 1e6
    fine = np.arange(1, 1200) * 5e-6
    u = scale * on_axis(long_tube, push_response(long_tube.eigenvalue, fine, g, eta, 1060, 1e-3))
    assert u.max() == pytest.approx(peak, rel=1e-3)
    assert fine[u.argmax()] * 1e3 == pytest.approx(at, abs=0.0101)
    v = scale * on_axis(long_tube, push_response(long_tube.eigenvalue, [2e-3, 5e-3, 20e-3], g, eta, 1060, 1e-3))
    np.testing.assert_allclose(v, later, atol=1e-3 * peak)


def test_static_deflection_of_a_long_closed_tube(long_tube):
    """18.01037224 um in closed form: steady push of 20 kN/m^3 at 100 Pa."""
    u = on_axis(long_tube, 1e6 * 2e4 / (100 * long_tube.eigenvalue[:, None]))
    assert u[0] == pytest.approx(18.01037224, rel=1e-3)


@pytest.fixture(scope="module")
def whole_well():
    """A grid that reaches to the wall."""
    return well_modes(replace(WELL, beam_radius=1e-3), -2.5e-3, 3.5e-3, reach=2.8, refine=1.2)


def fields_at(modes, g=100.0, eta=0.05, time=1.5e-3):
    q = modes.force * push_response(modes.eigenvalue, [time], g, eta, 1045, 2e-4)[:, 0]
    mixed = q @ modes.mixing
    return np.tensordot(mixed, modes.axial, 1), np.tensordot(mixed, modes.radial, 1)


def test_no_net_flow_through_any_cross_section(whole_well):
    axial, _ = fields_at(whole_well)
    r = whole_well.radius[:, None]
    net = np.trapezoid(axial * r, whole_well.radius, axis=0)
    gross = np.trapezoid(np.abs(axial) * r, whole_well.radius, axis=0)
    assert np.max(np.abs(net) / gross.max()) < 2e-3


def test_field_has_no_divergence(whole_well):
    axial, radial = fields_at(whole_well)
    r = whole_well.radius
    along = np.gradient(axial, whole_well.depth, axis=1)
    across = np.gradient(radial * r[:, None], r, axis=0)[1:-1] / r[1:-1, None]
    total = (along[1:-1] + across)[:, 2:-2]
    assert np.abs(total).max() < 0.02 * np.abs(along).max()


def test_no_slip_at_the_wall_and_slip_where_the_clot_has_let_go(whole_well):
    axial, radial = fields_at(whole_well)
    assert np.abs(axial[-1]).max() < 1e-4 * np.abs(axial).max()
    assert np.abs(radial[-1]).max() < 1e-4 * np.abs(axial).max()
    loose = well_modes(replace(WELL, beam_radius=1e-3), -2.5e-3, 3.5e-3, wall="slip", reach=2.8)
    axial, radial = fields_at(loose)
    assert np.abs(axial[-1]).max() > 0.02 * np.abs(axial).max()
    assert np.abs(radial[-1]).max() < 1e-4 * np.abs(axial).max()


def test_beam_from_the_lid_sees_the_mirror_image():
    up = well_modes(WELL, -1e-3, 1e-3)
    down = well_modes(replace(WELL, beam_from="lid", focus_height=WELL.well_depth - WELL.focus_height), -1e-3, 1e-3)
    response = [
        m.beam[0].T @ (m.force[:, None] * push_response(m.eigenvalue, [1e-3], 50, 0.02, 1045, 2e-4)) for m in (up, down)
    ]
    np.testing.assert_allclose(response[0], response[1], rtol=2e-4)
    assert response[0].max() > 0


def test_beam_mean_is_the_mean_over_the_grid():
    modes = well_modes(WELL, -1e-3, 1e-3, reach=4.0, refine=1.4)
    axial, _ = fields_at(modes)
    r = modes.radius
    weight = r * np.exp(-((r / WELL.beam_radius) ** 2))
    q = modes.force * push_response(modes.eigenvalue, [1.5e-3], 100, 0.05, 1045, 2e-4)[:, 0]
    grid = np.trapezoid(axial * weight[:, None], r, axis=0) / np.trapezoid(weight, r)
    np.testing.assert_allclose(q @ modes.beam[0], grid, rtol=2e-3)


def test_refinement_changes_the_trace_little():
    time = np.arange(1, 63) * 125e-6
    seen = []
    for refine in (1.0, 1.6):
        modes = well_modes(WELL, -0.2e-3, 0.2e-3, refine=refine)
        middle = (modes.beam[0, :, 0] + modes.beam[0, :, -1]) / 2
        seen.append(middle @ (modes.force[:, None] * push_response(modes.eigenvalue, time, 1000, 0.1, 1045, 2e-4)))
    assert np.abs(seen[0] - seen[1]).max() < 1e-4 * np.abs(seen[1]).max()


@pytest.mark.parametrize(("g", "eta"), [(0.0, 0.004), (100.0, 0.0), (100.0, 0.05), (5.0, 0.4), (100.0, 0.2)])
def test_push_response_solves_its_equation(g, eta):
    kappa, rho, push = 4e6, 1045.0, 2e-4
    time = np.array([0.5e-4, 2e-4, 1e-3, 6e-3])

    def equation(t, y):
        return [y[1], (1.0 if t < push else 0.0) - eta * kappa / rho * y[1] - g * kappa / rho * y[0]]

    first = solve_ivp(equation, (0, push), [0, 0], rtol=1e-11, atol=1e-18, t_eval=time[:2])
    rest = solve_ivp(equation, (push, time[-1]), first.y[:, -1], rtol=1e-11, atol=1e-18, t_eval=time[2:])
    expected = np.concatenate([first.y[0], rest.y[0]])
    got = push_response(np.array([kappa]), time, g, eta, rho, push)[0]
    np.testing.assert_allclose(got, expected, rtol=1e-7)


def test_critical_damping_is_smooth():
    kappa, rho, g = 4e6, 1045.0, 100.0
    critical = 2 * np.sqrt(rho * g / kappa)
    at = [push_response(np.array([kappa]), [2e-3], g, critical * s, rho, 2e-4)[0, 0] for s in (1 - 1e-7, 1.0, 1 + 1e-7)]
    assert at[0] == pytest.approx(at[1], rel=1e-6)
    assert at[2] == pytest.approx(at[1], rel=1e-6)


def test_nothing_moves_before_the_push():
    assert not push_response(np.array([4e6]), [-2e-4, 0.0], 100, 0.05, 1045, 2e-4).any()


def test_a_line_outside_the_sample_is_refused():
    with pytest.raises(InputError, match="crosses the sample"):
        well_modes(WELL, 8e-3, 9e-3)
    with pytest.raises(InputError, match="bonded, slip"):
        well_modes(WELL, -1e-3, 1e-3, wall="loose")


def test_a_push_too_small_for_the_grid_is_refused():
    with pytest.raises(InputError, match=r"recorded line.*steps of depth"):
        well_modes(replace(WELL, push_length=20e-6), -1e-3, 4e-3)


def test_a_kelvin_voigt_material_takes_the_closed_form():
    args = np.array([4e6, 9e6]), [-1e-4, 1e-4, 1e-3]
    got = material_response(*args, Material(100.0, viscosity=0.05), 1045, 2e-4)
    np.testing.assert_array_equal(got, push_response(*args, 100, 0.05, 1045, 2e-4))
