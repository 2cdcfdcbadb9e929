"""The compiled kernel equals the NumPy reference."""

import math

import numpy as np
import pytest

from stanch.mechanics import kernel
from stanch.mechanics.invert import Frames
from stanch.mechanics.kernel import elementary, movement, noise
from stanch.mechanics.kernel.oscillator import WORK, _trace
from stanch.mechanics.response import coupling, oscillator

MEDIA = [(-2.0, 0.006), (0.0, 0.004), (1e-3, 0.004), (0.5, 0.005), (10.0, 0.02), (150.0, 0.6), (4000.0, 0.02)]


def test_elementary_functions_equal_the_standard_ones():
    rng = np.random.default_rng(4)
    for x in [0.0, 0.5, -0.5, *rng.uniform(-600.0, 50.0, 500), *rng.normal(0.0, 1e-3, 100)]:
        assert elementary._exp(x) == pytest.approx(math.exp(x), rel=1e-15)
        phi, slope = elementary._phi(x, math.exp(-x))
        if x > 0:
            assert phi == pytest.approx(-math.expm1(-x) / x, rel=1e-15)
            step = 1e-3 * max(x, 1.0)
            nearby = [-math.expm1(-y) / y for y in (x - step, x + step)]
            assert slope == pytest.approx((nearby[1] - nearby[0]) / (2 * step), rel=1e-5)
    assert elementary._phi(0.0, 1.0) == (1.0, -0.5)
    for x in [0.0, *rng.uniform(-20.0, 20.0, 500), *rng.uniform(0.0, 1e6, 500)]:
        assert elementary._cos_sin(x) == pytest.approx((math.cos(x), math.sin(x)), abs=1e-15)


@pytest.mark.parametrize("regular", [True, False])
def test_traces_equal_the_reference(bench, regular):
    rng = np.random.default_rng(5)
    time = np.concatenate([[-1e-4, 0.0, 1e-4], bench.frame_time[1:]])
    if not regular:
        time = np.sort(time + rng.uniform(0.0, 3e-5, time.size))
    frames = Frames.of(time, bench.acquisition.push_duration)
    assert (frames.spacing > 0) == regular
    scale, c = bench.table.eigenvalue / 1055.0, coupling(bench.table)
    modulus, viscosity = np.array(MEDIA).T
    out = np.empty((len(MEDIA), 3, time.size))
    kernel.traces(modulus, viscosity, np.tile(c, (len(MEDIA), 1)), scale, *frames.arguments, out)
    for row, (g, eta) in zip(out, MEDIA):
        q, q_w, q_b = oscillator(time, g * scale, 0.5 * eta * scale, bench.acquisition.push_duration)
        for got, exact in zip(row, (q @ c, q_w @ (c * scale), 0.5 * q_b @ (c * scale))):
            assert np.abs(got - exact).max() <= 1e-9 * np.abs(exact).max()


@pytest.mark.parametrize("regular", [True, False])
def test_traces_without_derivatives_equal_the_reference(bench, regular):
    rng = np.random.default_rng(5)
    time = np.concatenate([[-1e-4, 0.0, 1e-4], bench.frame_time[1:]])
    if not regular:
        time = np.sort(time + rng.uniform(0.0, 3e-5, time.size))
    frames = Frames.of(time, bench.acquisition.push_duration)
    scale = bench.table.eigenvalue / 1055.0
    c = np.stack([coupling(bench.table, order=order) for order in (0, 1, 3)])
    out, work = np.empty((3, time.size)), np.zeros(WORK)
    for g, eta in MEDIA:
        _trace(g, eta, c[0], scale, *frames.arguments, work, np.empty((3, time.size)))
        movement._trace_values(c, scale, *frames.arguments, work, out)
        q = oscillator(time, g * scale, 0.5 * eta * scale, bench.acquisition.push_duration)[0]
        exact = (q @ c.T).T
        assert np.abs(out - exact).max() <= 1e-9 * np.abs(exact).max()


@pytest.mark.parametrize("rows", [1, 7, 8, 13, kernel.MOST_ROWS])
def test_any_number_of_rows_equals_the_reference(bench, rows):
    """Rows are taken in blocks of eight, of which the last is padded."""
    rng = np.random.default_rng(7)
    frames = Frames.of(bench.frame_time, bench.acquisition.push_duration)
    scale = np.geomspace(20.0, 2e6, rows) if rows > 1 else np.array([300.0])
    c = np.stack([rng.uniform(0.5, 1.5, rows), rng.normal(size=rows)])
    # What an earlier, longer table left behind must not count.
    work = np.full(WORK, 1e3)
    out, values = np.empty((3, bench.frame_time.size)), np.empty((2, bench.frame_time.size))
    for g, eta in MEDIA:
        _trace(g, eta, c[0], scale, *frames.arguments, work, out)
        movement._trace_values(c, scale, *frames.arguments, work, values)
        q = oscillator(bench.frame_time, g * scale, 0.5 * eta * scale, bench.acquisition.push_duration)
        for got, exact in zip(out, (q[0] @ c[0], q[1] @ (c[0] * scale), 0.5 * q[2] @ (c[0] * scale))):
            assert np.abs(got - exact).max() <= 1e-9 * np.abs(exact).max()
        assert np.abs(values.T - q[0] @ c.T).max() <= 1e-9 * np.abs(q[0] @ np.abs(c.T)).max()


def test_columns_are_derivatives_of_the_trace(bench):
    """Whitened columns of the linearised push against finite differences of the reference."""
    rng = np.random.default_rng(6)
    t, n = bench.frame_time, bench.frame_time.size
    frames = Frames.of(t, bench.acquisition.push_duration)
    scale, sd, shared, bending = bench.table.eigenvalue / 1055.0, 1e-7, 0.7e-7, 1e5
    c, slope = coupling(bench.table) / 1055.0, np.stack([coupling(bench.table, order=k) / 1055.0 for k in (1, 2)])
    truth = np.array([np.log(90.0), np.log(0.04), 0.0, 0.05, -0.1, 0.1])

    def model(x):
        q = oscillator(t, (np.exp(x[0]) - 10) * scale, 0.5 * np.exp(x[1]) * scale, bench.acquisition.push_duration)[0]
        force = bench.force * np.exp(x[2])
        one = force * (q @ slope[0])
        return force * (q @ (c + x[3] * slope[0] + x[4] * slope[1])) + x[5] * bending * one**2

    data = (model(truth) + rng.normal(0.0, sd, n))[None]
    bend = truth[5] * (model(truth + np.eye(6)[5]) - model(truth))
    out = [np.empty(1), np.empty((1, 6, 6)), np.empty((1, 6)), np.empty(1), np.empty((1, n)), np.empty((1, n))]
    kernel.linearise_pushes(
        data - bend, np.full((1, n), sd**2), np.zeros((1, n)), np.array([shared**2]),
        (c + truth[3:5] @ slope)[None], slope[None], bending, scale, *frames.arguments, truth[:1], truth[1:2],
        np.ones((1, n)), *out,
    )  # fmt: skip
    force, information, gradient, _, _, bent = out
    truth[2] = np.log(force[0] / bench.force)
    step = 1e-5
    jacobian = np.stack([(model(truth + step * u) - model(truth - step * u)) / (2 * step) for u in np.eye(6)], axis=1)
    # The bending is data to the other columns.
    jacobian[:, :3] -= truth[5] * np.stack(
        [(_bend(model, truth + step * u) - _bend(model, truth - step * u)) / (2 * step) for u in np.eye(6)[:3]], axis=1
    )
    inverse = np.linalg.inv(sd**2 * np.eye(n) + shared**2)
    assert information[0] == pytest.approx(jacobian.T @ inverse @ jacobian, rel=1e-5)
    residual = data[0] - bend - (model(truth) - truth[5] * _bend(model, truth))
    size = np.sqrt(np.diag(information[0]))
    assert gradient[0] / size == pytest.approx(jacobian.T @ inverse @ residual / size, abs=1e-4)
    assert bent[0] == pytest.approx(_bend(model, truth), rel=1e-9)


def _bend(model, x):
    """Movement per unit of the last deviation."""
    up, down = x.copy(), x.copy()
    up[5], down[5] = 1.0, 0.0
    return model(up) - model(down)


def _noise_covariance(sd, step, shared, good):
    walk = shared**2 + np.cumsum(step**2)
    frames = np.arange(sd.size)
    full = walk[np.minimum.outer(frames, frames)] + np.diag(sd**2)
    return full[np.ix_(good, good)]


@pytest.mark.parametrize(("shared", "step"), [(0.0, 0.0), (0.7, 0.0), (0.2, 0.5), (0.0, 1.0)])
def test_whitening_is_that_of_the_noise_model(shared, step):
    rng = np.random.default_rng(2)
    n = 12
    sd, steps = rng.uniform(0.5, 1.5, n), step * rng.uniform(0.5, 1.5, n)
    variance = sd**2
    variance[[0, 4, 5]] = 0.0
    good = np.flatnonzero(variance)
    covariance = _noise_covariance(sd, steps, shared, good)
    gain, root = np.empty(n), np.empty(n)
    noise._gains(variance, steps**2, shared**2, gain, root)
    white = np.empty((n, n))
    for row, unit in zip(white, np.eye(n)):
        noise._whiten(unit, gain, root, row)
    whitener = white.T[np.ix_(good, good)]
    assert whitener @ covariance @ whitener.T == pytest.approx(np.eye(good.size), abs=1e-12)
    assert np.all(white.T[variance == 0] == 0)
    x = rng.normal(size=n)
    forward, back, diagonal = np.empty(n), np.empty(n), np.empty(n)
    noise._whiten(x, gain, root, forward)
    noise._unwhiten(forward, gain, root, back)
    noise._precision(gain, root, diagonal)
    inverse = np.linalg.inv(covariance)
    assert back[good] == pytest.approx(inverse @ x[good], rel=1e-10)
    assert diagonal[good] == pytest.approx(np.diag(inverse), rel=1e-10)
