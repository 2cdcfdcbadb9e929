"""The answer of a mode to a push in any linear material, against closed forms, another inversion and steps in time."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.virtual.material import Material
from stanch.virtual.medium import material_response, push_response
from stanch.virtual.relaxance import mode_response, oscillating_pole

DENSITY = 1050.0
PUSH = 1e-3
TIMES = np.concatenate([np.arange(1, 65) * 125e-6, np.geomspace(8.5e-3, 0.2, 12)])
EIGENVALUES = np.geomspace(1e6, 3e9, 60)


def _worst(a, b):
    """Largest difference of each mode over the mode's peak."""
    return float((np.abs(a - b).max(axis=1) / np.abs(b).max(axis=1)).max())


@pytest.mark.parametrize(
    ("modulus", "viscosity"),
    [(100.0, 0.05), (0.01, 0.004), (5000.0, 0.1), (10.0, 3.0), (0.0, 0.004), (1.0, 1e-4), (0.01, 5.0)],
)
def test_kelvin_voigt_is_the_closed_form(modulus, viscosity):
    found = mode_response(EIGENVALUES, TIMES, Material(modulus, viscosity=viscosity), DENSITY, PUSH)
    assert _worst(found, push_response(EIGENVALUES, TIMES, modulus, viscosity, DENSITY, PUSH)) < 1e-12


def test_roots_that_meet_need_no_care():
    # Critical damping: the closed form there is S = (1 - (1 + w t) exp(-w t)) / w^2.
    w = 2 * math.pi * 90
    eigenvalue = w * w * DENSITY / 100.0
    found = mode_response([eigenvalue], TIMES, Material(100.0, viscosity=2 * 100.0 / w), DENSITY, PUSH)

    def step(t):
        return (1 - (1 + w * t) * np.exp(-w * t)) / w**2

    assert _worst(found, (step(TIMES) - np.where(TIMES > PUSH, step(np.maximum(TIMES - PUSH, 0)), 0))[None]) < 1e-12


@pytest.mark.parametrize("modulus", [1.0, 3000.0])
def test_spring_pot_tends_to_spring_and_dashpot(modulus):
    # 1e-6 from the end the size of the modulus differs by a factor of (2 pi f)^1e-6, the answer accordingly.
    spring = mode_response(EIGENVALUES, TIMES, Material(20.0, viscosity=0.1, pot=modulus, order=1e-7), DENSITY, PUSH)
    assert _worst(spring, push_response(EIGENVALUES, TIMES, 20.0 + modulus, 0.1, DENSITY, PUSH)) < 2e-4
    pot = modulus * 1e-4
    dashpot = mode_response(EIGENVALUES, TIMES, Material(20.0, pot=pot, order=1 - 1e-7), DENSITY, PUSH)
    assert _worst(dashpot, push_response(EIGENVALUES, TIMES, 20.0, pot, DENSITY, PUSH)) < 2e-4


def test_a_branch_that_is_too_fast_or_too_slow_is_a_dashpot_or_a_spring():
    fast = mode_response(EIGENVALUES, TIMES, Material(50.0, branch=5e9, relaxation=1e-11), DENSITY, PUSH)
    assert _worst(fast, push_response(EIGENVALUES, TIMES, 50.0, 0.05, DENSITY, PUSH)) < 1e-5
    slow = mode_response(EIGENVALUES, TIMES, Material(50.0, 0.05, branch=70.0, relaxation=1e6), DENSITY, PUSH)
    assert _worst(slow, push_response(EIGENVALUES, TIMES, 120.0, 0.05, DENSITY, PUSH)) < 1e-5


def _euler(transform, t, terms=16):
    """Inverse Laplace transform by the Euler summation of Abate and Whitt 2006 (from memory)."""
    k = np.arange(2 * terms + 1)
    weight = np.ones(k.size)
    weight[0] = 0.5
    tail = 0.0
    for j in range(terms):
        tail += math.comb(terms, j) * 2.0**-terms
        weight[2 * terms - j] = tail
    s = (terms * math.log(10) / 3 + 1j * math.pi * k) / t
    return 10 ** (terms / 3) / t * float(np.sum((-1.0) ** k * weight * transform(s).real))


MATERIALS = {
    "spring-pot": Material(0.0, pot=2.0, order=0.45),
    "nearly a dashpot": Material(0.0, pot=0.02, order=0.95),
    "fractional": Material(40.0, pot=3.0, order=0.3),
    "all of it": Material(5.0, viscosity=0.01, pot=1.0, order=0.6, branch=30.0, relaxation=2e-3),
    "Zener": Material(100.0, viscosity=0.004, branch=200.0, relaxation=1.5e-3),
    "liquid that relaxes": Material(0.0, viscosity=0.004, branch=20.0, relaxation=3e-3),
}


@pytest.mark.parametrize("name", MATERIALS)
def test_another_inversion_gives_the_same(name):
    material = MATERIALS[name]
    eigenvalue = np.array([2.5e6, 1.2e7, 6e7])
    # As long as the movement has few turns, where that summation still converges.
    times = np.array([0.2e-3, 0.9e-3, 1.4e-3, 3e-3])
    found = mode_response(eigenvalue, times, material, DENSITY, PUSH)
    for k, scale in enumerate(eigenvalue / DENSITY):

        def step(s, scale=scale):
            return 1 / (s * (s**2 + scale * material.relaxance(s)))

        expected = [_euler(step, t) - (_euler(step, t - PUSH) if t > PUSH else 0.0) for t in times]
        np.testing.assert_allclose(found[k], expected, atol=1e-8 * max(expected))


@pytest.mark.parametrize("name", ["spring-pot", "nearly a dashpot", "fractional", "all of it"])
def test_pole_and_cut_give_the_same(name):
    """Along the negative axis instead of around it: the pair of poles and the jump across the cut of the spring-pot."""
    from scipy.integrate import quad

    m = MATERIALS[name]
    eigenvalue = np.array([2.5e6, 6e7])
    times = np.array([0.5e-3, 2e-3, 8e-3, 60e-3])
    found = mode_response(eigenvalue, times, m, DENSITY, PUSH)
    for k, scale in enumerate(eigenvalue / DENSITY):
        (p,) = oscillating_pole(np.array([scale]), m)
        step = 1e-6 * abs(p)
        slope = 2 * p + scale * (m.relaxance(p + step) - m.relaxance(p - step)) / (2 * step)

        def jump(y, t, scale=scale):
            x = math.exp(y)
            above = complex(m.relaxance(complex(-x, 0.0)))  # the sign of zero: above the cut
            d = x * x + scale * above
            since = max(t - PUSH, 0.0)
            return d.imag / abs(d) / abs(d) * math.exp(-x * since) * -math.expm1(-x * (t - since))

        for j, t in enumerate(times):
            since = max(t - PUSH, 0.0)
            pair = 2 * ((np.exp(p * t) - np.exp(p * since)) / (p * slope)).real
            ends = np.arange(-500.0, 30.0, 5.0)  # near a dashpot it fades as slowly as x^(1 - order)
            cut = sum(quad(jump, a, b, args=(t,), epsabs=1e-18, epsrel=1e-11)[0] for a, b in pairwise(ends))
            assert pair + cut / math.pi == pytest.approx(found[k, j], abs=1e-8 * found[k].max())


def _stepped(scale, material, end, count):
    """One mode in steps of time: Gruenwald and Letnikov's sum for the spring-pot, an inner strain for the branch."""
    h = end / count
    binomial = np.cumprod(np.concatenate([[1.0], 1 - (material.order + 1) / np.arange(1, count + 1)]))
    q = np.zeros(count + 1)
    inner = 0.0  # strain of the branch's dashpot
    for n in range(1, count + 1):
        past = binomial[1 : n + 1] @ q[n - 1 :: -1] if material.pot else 0.0
        pot = material.pot * h**-material.order
        a = h / material.relaxation
        # inner = (inner_before + a q) / (1 + a); the branch pulls with branch (q - inner).
        known = (2 * q[n - 1] - q[n - 2 if n > 1 else 0]) / h**2 + (1.0 if (n - 0.5) * h < PUSH else 0.0)
        known += scale * (material.viscosity * q[n - 1] / h - pot * past + material.branch * inner / (1 + a))
        stiff = material.equilibrium + material.viscosity / h + pot + material.branch / (1 + a)
        q[n] = known / (1 / h**2 + scale * stiff)
        inner = (inner + a * q[n]) / (1 + a)
    return q


@pytest.mark.parametrize("name", MATERIALS)
def test_steps_in_time_tend_to_it(name):
    material, scale, end = MATERIALS[name], 1.2e7 / DENSITY, 8e-3
    every = 100
    coarse, fine, finer = (_stepped(scale, material, end, n)[:: n // every] for n in (1600, 3200, 6400))
    # First order in the step: two extrapolations.
    once = 2 * np.array([fine, finer]) - np.array([coarse, fine])
    expected = (4 * once[1] - once[0]) / 3
    found = mode_response([scale * DENSITY], np.linspace(0, end, every + 1), material, DENSITY, PUSH)[0]
    peak = found.max()
    assert np.abs(finer - found).max() < 0.02 * peak
    assert np.abs(expected - found).max() < 2e-5 * peak


def test_zener_is_its_differential_equation():
    from scipy.integrate import solve_ivp

    m = MATERIALS["Zener"]
    scale, end = 3e7 / DENSITY, 20e-3
    times = np.linspace(0.2e-3, end, 60)

    def slope(t, y, force):
        q, v, inner = y
        stress = m.equilibrium * q + m.viscosity * v + m.branch * (q - inner)
        return [v, force - scale * stress, (q - inner) / m.relaxation]

    how = {"method": "DOP853", "rtol": 1e-12, "atol": 1e-22, "dense_output": True}
    during = solve_ivp(slope, (0, PUSH), [0, 0, 0], args=(1.0,), **how)
    after = solve_ivp(slope, (PUSH, end), during.y[:, -1], args=(0.0,), **how)
    expected = np.where(times <= PUSH, during.sol(np.minimum(times, PUSH))[0], after.sol(np.maximum(times, PUSH))[0])
    found = mode_response([scale * DENSITY], times, m, DENSITY, PUSH)[0]
    assert np.abs(found - expected).max() < 1e-9 * found.max()


def test_a_pure_spring_pot_creeps_as_its_mittag_leffler_series():
    # S(t) = t^2 sum_k (-c t^(2-a))^k / Gamma(3 + k (2-a)); c t^(2-a) stays small enough for the series.
    order, pot, scale = 0.4, 2.0, 1e4
    times = np.array([1e-4, 5e-4, 1e-3])
    x = -scale * pot * times ** (2 - order)
    k = np.arange(60)[:, None]
    series = np.sum(x**k / np.array([math.gamma(3 + j * (2 - order)) for j in range(60)])[:, None], axis=0)
    found = mode_response([scale * DENSITY], times, Material(0.0, pot=pot, order=order), DENSITY, PUSH)[0]
    np.testing.assert_allclose(found, times**2 * series, rtol=1e-11)


logs = st.floats(-2.0, math.log10(5000.0))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    size=st.tuples(logs, logs, logs, logs),
    there=st.tuples(*[st.booleans()] * 4).filter(lambda t: t[2] or t[3]),
    order=st.floats(0.02, 0.98),
    relaxation=st.floats(-5.0, 0.0),
)
def test_any_material_is_finite_and_smooth_in_its_smallest_part(size, there, order, relaxation):
    g = [10**x * on for x, on in zip(size, there, strict=True)]
    w = 2 * math.pi * 100
    parts = {"viscosity": g[1] / w, "order": order, "branch": g[3], "relaxation": 10**relaxation}
    material = Material(g[0], pot=g[2] / w**order, **parts)
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        q = mode_response(EIGENVALUES, TIMES, material, DENSITY, PUSH)
    assert np.isfinite(q).all()
    if material.pot:
        pole = oscillating_pole(EIGENVALUES / DENSITY, material)
        assert np.isfinite(pole).all()
        left = pole**2 + EIGENVALUES / DENSITY * material.relaxance(pole)
        assert (np.abs(left) < 1e-9 * np.abs(pole) ** 2).all()
    # A push in two halves is the sum of its halves: needs other hyperbolas and other moments.
    half = mode_response(EIGENVALUES, TIMES, material, DENSITY, PUSH / 2)
    later = mode_response(EIGENVALUES, np.append(TIMES - PUSH / 2, 0.3), material, DENSITY, PUSH / 2)[:, :-1]
    assert _worst(half + later, q) < 1e-9


def test_before_the_push_nothing_has_moved():
    times = [-1e-3, 0.0, 1e-3]
    q = mode_response(EIGENVALUES, times, MATERIALS["fractional"], DENSITY, PUSH)
    assert (q[:, :2] == 0).all()
    assert (q[:, 2] > 0).all()
    assert mode_response(EIGENVALUES, [-1.0], MATERIALS["Zener"], DENSITY, PUSH).shape == (60, 1)
    assert mode_response(np.zeros(0), times, MATERIALS["Zener"], DENSITY, PUSH).shape == (0, 3)


def test_material_response_takes_every_material():
    for material in (*MATERIALS.values(), Material(30.0, viscosity=0.02)):
        found = material_response(EIGENVALUES, TIMES, material, DENSITY, PUSH)
        assert _worst(found, mode_response(EIGENVALUES, TIMES, material, DENSITY, PUSH)) < 1e-11
