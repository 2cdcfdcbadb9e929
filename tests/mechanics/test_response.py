"""The trace a beam sees: against matrix exponentials, closed forms and limits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import expm

from stanch.errors import InputError
from stanch.mechanics.response import complex_modulus, coupling, loss_tangent, oscillator, trace, trace_derivatives

DURATION = 3e-4


def _exact(time, stiffness, damping):
    """State and its derivatives in W and b by the exponential of the augmented system."""
    a = np.zeros((7, 7))
    for row, source in ((0, 6), (2, 0), (4, 1)):
        a[row, row + 1], a[row + 1, row], a[row + 1, row + 1] = 1.0, -stiffness, -2 * damping
        a[row + 1, source] += {6: 1.0, 0: -1.0, 1: -2.0}[source]
    x = np.zeros(7)
    x[6] = 1.0
    x = expm(a * min(time, DURATION)) @ x
    if time > DURATION:
        x[6] = 0.0
        x = expm(a * (time - DURATION)) @ x
    return x[[0, 2, 4]]


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    st.floats(-1.0, 4.0),
    st.one_of(st.floats(-1.0, 7.0), st.none()),
    st.sampled_from(["plain", "negative", "critical"]),
    st.lists(st.floats(1e-5, 0.02), min_size=3, max_size=6),
)
def test_oscillator_is_the_exact_solution(log_damping, log_stiffness, kind, times):
    damping = 10.0**log_damping
    stiffness = 0.0 if log_stiffness is None else 10.0**log_stiffness
    if kind == "negative":
        stiffness = -min(stiffness, 0.1 * damping**2 + 1e3)
    if kind == "critical":
        stiffness = damping**2 * (1 + 1e-4)
    # The exponential is exact relative to its largest entry, so one time is always past the push.
    times = [*times, 6e-4]
    got = oscillator(times, [stiffness], [damping], DURATION)
    exact = np.array([_exact(t, stiffness, damping) for t in times])
    for j in range(3):
        assert got[j][:, 0] == pytest.approx(exact[:, j], rel=1e-9, abs=1e-10 * np.abs(exact[:, j]).max())


def test_nothing_moves_before_the_push():
    assert np.all(oscillator([-1e-3, 0.0], [1e4], [10.0], DURATION)[0] == 0.0)


def test_derivatives_of_a_trace_are_its_slopes(bench):
    c = coupling(bench.table)
    for modulus, viscosity in ((-2.0, 0.005), (0.0, 0.005), (50.0, 0.02), (3000.0, 0.3)):
        at = (bench.table, modulus, viscosity, bench.force, bench.acquisition, bench.frame_time, c)
        _, slope_y, slope_e = trace_derivatives(*at)
        h = 1e-5
        y = np.log(modulus + 10.0)

        def seen(y, eta):
            rest = (bench.force, bench.acquisition, bench.frame_time, c)
            return trace_derivatives(bench.table, np.exp(y) - 10.0, eta, *rest)[0]

        numeric_y = (seen(y + h, viscosity) - seen(y - h, viscosity)) / (2 * h)
        numeric_e = (seen(y, viscosity * np.exp(h)) - seen(y, viscosity * np.exp(-h))) / (2 * h)
        assert slope_y == pytest.approx(numeric_y, rel=1e-6, abs=1e-7 * np.abs(slope_y).max())
        assert slope_e == pytest.approx(numeric_e, rel=1e-6, abs=1e-7 * np.abs(slope_e).max())


def test_a_long_push_reaches_the_static_movement(bench):
    from dataclasses import replace

    steady = replace(bench.acquisition, push_duration=10.0)
    c = coupling(bench.table)
    seen = trace(bench.table, 100.0, 0.5, 1.0, steady, [9.9])
    assert seen[0] == pytest.approx((c / bench.table.eigenvalue).sum() / 100.0, rel=1e-6)


def test_coupling_interpolates_and_weights(bench):
    from dataclasses import replace

    z = np.array([-1e-3, 0.0, 1e-3])
    beam = bench.table.beam[:, :, :1] * np.array([1.0, 2.0, 4.0])
    table = replace(bench.table, depth=z, beam=beam)
    one = table.force * beam[0, :, 0]
    assert coupling(table) == pytest.approx(2 * one)
    assert coupling(table, [0.5e-3], [1.0]) == pytest.approx(3 * one)
    assert coupling(table, z, [[0.5, 0.25, 0.25], [0.0, 0.0, 1.0]]) == pytest.approx(np.outer([2.0, 4.0], one))
    assert coupling(table, [0.0, 5e-3], [1.0, 0.0]) == pytest.approx(2 * one)
    with pytest.raises(InputError, match=r"depth of the tracking gate; got 0\.000 to 5\.000 mm"):
        coupling(table, [0.0, 5e-3], [0.5, 0.5])
    with pytest.raises(InputError, match="sensitivity"):
        coupling(table, z, [1.0])


def test_what_a_medium_may_be(bench):
    c = coupling(bench.table)
    with pytest.raises(InputError, match="modulus"):
        trace_derivatives(bench.table, -10.0, 0.1, 1.0, bench.acquisition, bench.frame_time, c)
    with pytest.raises(InputError, match="viscosity"):
        trace_derivatives(bench.table, 10.0, 0.0, 1.0, bench.acquisition, bench.frame_time, c)


def test_complex_modulus_of_kelvin_voigt():
    value = complex_modulus([100.0, 0.0], [0.5, 0.004], 100.0)
    assert value.real == pytest.approx([100.0, 0.0])
    assert value.imag == pytest.approx(2 * np.pi * 100 * np.array([0.5, 0.004]))
    assert loss_tangent([100.0, 0.0], [0.5, 0.004], 100.0) == pytest.approx([np.pi, np.inf])
