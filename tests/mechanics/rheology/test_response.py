"""Responses: closed form for Kelvin-Voigt, brute force for the others, derivatives, poles, limits, scale."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.mechanics import response as plain
from stanch.mechanics.response import coupling
from stanch.mechanics.rheology import kernel, response
from stanch.mechanics.rheology.contour import contour
from stanch.mechanics.rheology.models import relaxance, to_search

LONG = np.concatenate([[-1e-3, 1e-4], 1.25e-4 * np.arange(2, 40), np.geomspace(5e-3, 0.1, 24)])
INSIDE = np.linspace(2e-5, 1e-3, 40)
MEDIA = [
    ("spring_pot", {"pot": 60.0, "order": 0.15}),
    ("spring_pot", {"pot": 0.5, "order": 0.5}),
    ("spring_pot", {"pot": 0.01, "order": 0.97}),
    ("spring_pot", {"pot": 0.004, "order": 1.1}),
    ("fractional_kelvin_voigt", {"modulus": 100.0, "pot": 3.0, "order": 0.5}),
    ("fractional_kelvin_voigt", {"modulus": 0.5, "pot": 0.05, "order": 0.85}),
    ("zener", {"modulus": 100.0, "branch": 60.0, "relaxation": 2e-3}),
    ("zener", {"modulus": 5.0, "branch": 400.0, "relaxation": 2e-4}),
    ("zener", {"modulus": 1000.0, "branch": 20.0, "relaxation": 0.2}),
]


def _brute(bench, model, parameters, time, terms=30000):
    """Sum over modes by the trapezoidal rule on a vertical line, every frame by itself.

    The line's error falls as exp(-2 c T) with the period 2T of the sum; the tail beyond its end is that of a free mass,
    which is taken out in closed form together with a spring that leaves the rest falling fast.
    """
    duration = bench.acquisition.push_duration
    scale = bench.table.eigenvalue / bench.acquisition.density
    c = coupling(bench.table) * bench.force / bench.acquisition.density
    period = 2.2 * time[-1]
    shift = 16.0 / period
    s = shift + 1j * np.pi / period * (np.arange(terms) + 0.5)
    g = relaxance(model, parameters, s)
    # A Kelvin-Voigt medium with the modulus at the end of the line, whose trace is known in closed form.
    end = relaxance(model, parameters, 1j * abs(s[-1]))
    near = {"modulus": max(float(end.real), 0.0), "viscosity": float(end.imag / abs(s[-1]))}
    known = near["modulus"] + near["viscosity"] * s
    total = (c / (s[:, None] ** 2 + scale * g[:, None])).sum(axis=1)
    total -= (c / (s[:, None] ** 2 + scale * known[:, None])).sum(axis=1)
    out = plain.trace(bench.table, near["modulus"], near["viscosity"], bench.force, bench.acquisition, time)
    for k, t in enumerate(time):
        if t > 0:
            push = (np.exp(s * t) - np.exp(s * max(t - duration, 0.0))) / s
            out[k] += (total * push).real.sum() / period
    return out


@pytest.mark.parametrize("viscosity", [1e-3, 0.05, 0.5])
@pytest.mark.parametrize("modulus", [0.0, 0.3, 10.0, 300.0, 3000.0])
@pytest.mark.parametrize("time", [LONG, INSIDE, 1.25e-4 * np.arange(1, 65)], ids=["long", "inside", "even"])
def test_kelvin_voigt_is_the_closed_form(bench, modulus, viscosity, time):
    c = coupling(bench.table)
    x = to_search("kelvin_voigt", {"modulus": modulus, "viscosity": viscosity}, 100.0)
    got = response.trace_derivatives(bench.table, "kelvin_voigt", x, 100.0, bench.force, bench.acquisition, time, c)
    want = plain.trace_derivatives(bench.table, modulus, viscosity, bench.force, bench.acquisition, time, c)
    peak = np.abs(want[0]).max()
    assert got[0] == pytest.approx(want[0], abs=1e-7 * peak)
    # At G = 0 the derivative in G has a double pole at the origin, next to the contour.
    loose = 1e-4 if modulus == 0.0 else 1e-6
    assert got[1] == pytest.approx(want[1], abs=loose * np.abs(want[1]).max())
    assert got[2] == pytest.approx(want[2], abs=1e-6 * np.abs(want[2]).max())


@pytest.mark.parametrize("modulus", [-0.1, -1.0, -5.0])
def test_a_spring_below_zero_grows(bench, modulus):
    want = plain.trace(bench.table, modulus, 0.004, bench.force, bench.acquisition, LONG)
    got = response.trace(
        bench.table, "kelvin_voigt", {"modulus": modulus, "viscosity": 0.004}, bench.force, bench.acquisition, LONG
    )
    assert got == pytest.approx(want, rel=1e-8, abs=1e-8 * np.abs(want).max())


@pytest.mark.parametrize(("model", "parameters"), MEDIA)
def test_the_others_are_the_brute_force(bench, model, parameters):
    time = 2.5e-4 * np.arange(1, 60)
    got = response.trace(bench.table, model, parameters, bench.force, bench.acquisition, time)
    want = _brute(bench, model, parameters, time)
    assert got == pytest.approx(want, abs=1e-6 * np.abs(want).max())


@pytest.mark.parametrize(("model", "parameters"), MEDIA)
@pytest.mark.parametrize("time", [LONG, INSIDE], ids=["long", "inside"])
def test_derivatives(bench, model, parameters, time):
    c = coupling(bench.table)
    x = to_search(model, parameters, 100.0)

    def at(where):
        return response.trace_derivatives(bench.table, model, where, 100.0, bench.force, bench.acquisition, time, c)

    got, h = at(x), 1e-5
    for j in range(x.size):
        step = h * np.eye(x.size)[j]
        # Fourth order, so that rounding and truncation both stay below the tolerance.
        numeric = (8 * (at(x + step)[0] - at(x - step)[0]) - at(x + 2 * step)[0] + at(x - 2 * step)[0]) / (12 * h)
        assert got[1 + j] == pytest.approx(numeric, abs=2e-5 * np.abs(got).max())


@pytest.mark.parametrize(("model", "parameters"), [*MEDIA, ("kelvin_voigt", {"modulus": -2.0, "viscosity": 0.004})])
def test_several_sets_of_coefficients_at_once(bench, model, parameters):
    x = to_search(model, parameters, 100.0)
    path = contour(LONG, bench.acquisition.push_duration)
    scale = bench.table.eigenvalue / bench.acquisition.density
    sets = coupling(bench.table) * np.random.default_rng(1).normal(size=(3, scale.size))
    inside, after = (int(np.searchsorted(LONG, t, side="right")) for t in (0.0, path.duration))
    rest = (scale, LONG, inside, after, path.duration, path.node, path.matrix)
    work = kernel.workspace(scale.size, path.node.size)
    together, alone = np.zeros((3, LONG.size)), np.zeros((1, LONG.size))
    kernel.respond_values(kernel.KINDS[model], x, 200 * np.pi, sets, *rest, work, together)
    for c, row in zip(sets, together):
        kernel.respond(kernel.KINDS[model], x, 0, 200 * np.pi, c, *rest, work, alone)
        assert row == pytest.approx(alone[0], rel=1e-9, abs=1e-12 * np.abs(row).max())


@pytest.mark.parametrize("twentieths", [5, 10, 15, 19])
def test_every_ringing_pole_is_found(twentieths):
    # With an order of k/20 the poles are roots of a polynomial in s^(1/20).
    rng = np.random.default_rng(twentieths)
    ringing = 0
    for _ in range(60):
        w, v = np.exp(rng.uniform(np.log(1e2), np.log(1e8))), np.exp(rng.uniform(0.0, np.log(1e7)))
        polynomial = np.zeros(41)
        polynomial[0], polynomial[40 - twentieths], polynomial[40] = 1e6, v * 1e3 ** (twentieths / 20), w
        root = np.roots(polynomial)
        s = 1e3 * root[np.abs(np.angle(root)) < np.pi / 20] ** 20
        s = s[s.imag > -kernel.RINGS * s.real]
        order = twentieths / 20
        x = np.array([np.log(w + 10.0), np.log(v) + order * np.log(100.0), np.log(order)])
        p = kernel.pole(2, x, 100.0, 1.0)
        found = p != 0 and p.imag > -kernel.RINGS * p.real
        assert found == (s.size == 1)
        if found:
            ringing += 1
            assert p == pytest.approx(s[0], rel=1e-6)
    assert ringing > 5


def test_zener_poles_are_roots_of_the_cubic():
    rng = np.random.default_rng(3)
    seen = 0
    for _ in range(200):
        w, extra = np.exp(rng.uniform(0.0, np.log(1e8), 2))
        tau = np.exp(rng.uniform(np.log(1e-6), 0.0))
        roots = np.roots([tau, 1.0, tau * (w + extra), w])
        upper = roots[roots.imag > 1e-6 * np.abs(roots)]
        p = kernel.pole(3, np.array([np.log(w + 10.0), np.log(extra), np.log(tau)]), 100.0, 1.0)
        assert (p != 0) == (upper.size == 1) or abs(p.imag) < 1e-5 * abs(p)
        if upper.size and p != 0:
            seen += 1
            assert p == pytest.approx(upper[0], rel=1e-4)
    assert seen > 20


def test_order_one_beside_a_spring_is_kelvin_voigt(bench):
    given_ = (bench.force, bench.acquisition, LONG)
    for modulus, viscosity in ((0.0, 0.004), (100.0, 0.05), (5.0, 0.4)):
        a = response.trace(bench.table, "kelvin_voigt", {"modulus": modulus, "viscosity": viscosity}, *given_)
        b = response.trace(
            bench.table, "fractional_kelvin_voigt", {"modulus": modulus, "pot": viscosity, "order": 1.0}, *given_
        )
        assert b == pytest.approx(a, abs=1e-9 * a.max())


def test_order_near_zero_is_a_spring_and_order_one_a_dashpot(bench):
    given_ = (bench.force, bench.acquisition, 1.25e-4 * np.arange(1, 65))
    spring = plain.trace(bench.table, 100.0, 1e-9, *given_)
    soft = response.trace(bench.table, "spring_pot", {"pot": 100.0, "order": 1e-6}, *given_)
    assert soft == pytest.approx(spring, abs=1e-4 * np.abs(spring).max())
    liquid = plain.trace(bench.table, 0.0, 0.004, *given_)
    thin = response.trace(bench.table, "spring_pot", {"pot": 0.004, "order": 1.0}, *given_)
    assert thin == pytest.approx(liquid, abs=1e-7 * liquid.max())


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.floats(0.1, 10.0), st.sampled_from(MEDIA))
def test_stretching_time(bench, stretch, medium):
    # With moduli by 1/k^2, times by k: displacements by k^2 at one and the same force.
    model, parameters = medium
    time = 1e-4 * np.arange(1, 40)
    a = response.trace(bench.table, model, parameters, bench.force, bench.acquisition, time)
    slow = dict(parameters)
    for name in slow:
        slow[name] = slow[name] * (
            {"pot": stretch ** (-2.0 + slow["order"])}.get(name, 0.0)
            if name == "pot"
            else {"modulus": stretch**-2, "branch": stretch**-2, "relaxation": stretch}.get(name, 1.0)
        )
    from dataclasses import replace

    longer = replace(bench.acquisition, push_duration=bench.acquisition.push_duration * stretch)
    b = response.trace(bench.table, model, slow, bench.force, longer, time * stretch)
    assert b == pytest.approx(stretch**2 * a, abs=2e-7 * stretch**2 * np.abs(a).max())


def test_linear_in_force_and_zero_before_the_push(bench):
    model, parameters = MEDIA[4]
    one = response.trace(bench.table, model, parameters, 1.0, bench.acquisition, LONG)
    many = response.trace(bench.table, model, parameters, 5.0, bench.acquisition, LONG)
    assert many == pytest.approx(5.0 * one, rel=1e-12)
    assert one[0] == 0.0


@pytest.mark.parametrize(
    ("time", "duration"), [([0.0, -1.0], 1e-3), ([1.0, np.nan], 1e-3), ([-2.0, -1.0], 1e-3), ([1.0], 0.0), ([], 1e-3)]
)
def test_refusals(time, duration):
    with pytest.raises(InputError):
        contour(time, duration)
