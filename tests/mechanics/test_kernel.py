"""The compiled kernel equals the NumPy reference."""

import numpy as np
import pytest

from stanch.mechanics import kernel
from stanch.mechanics.invert import Frames
from stanch.mechanics.response import coupling, oscillator

MEDIA = [(-2.0, 0.006), (0.0, 0.004), (1e-3, 0.004), (0.5, 0.005), (10.0, 0.02), (150.0, 0.6), (4000.0, 0.02)]


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
    kernel._gains(variance, steps**2, shared**2, gain, root)
    white = np.empty((n, n))
    for row, unit in zip(white, np.eye(n)):
        kernel._whiten(unit, gain, root, row)
    whitener = white.T[np.ix_(good, good)]
    assert whitener @ covariance @ whitener.T == pytest.approx(np.eye(good.size), abs=1e-12)
    assert np.all(white.T[variance == 0] == 0)
    x = rng.normal(size=n)
    forward, back, diagonal = np.empty(n), np.empty(n), np.empty(n)
    kernel._whiten(x, gain, root, forward)
    kernel._unwhiten(forward, gain, root, back)
    kernel._precision(gain, root, diagonal)
    inverse = np.linalg.inv(covariance)
    assert back[good] == pytest.approx(inverse @ x[good], rel=1e-10)
    assert diagonal[good] == pytest.approx(np.diag(inverse), rel=1e-10)
