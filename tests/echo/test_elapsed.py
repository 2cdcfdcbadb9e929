"""Scatterers that change while late frames are taken: the loss with time is found, frozen ones have none, even frames
are as they were."""

import numpy as np
import pytest

from stanch.echo.noise import Level, elapsed_walk
from stanch.echo.track import track
from stanch.recording.records import Acquisition, Geometry
from stanch.virtual.instrument import frame_times

ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
LATE = frame_times(64, 2, 125e-6, 12, 0.1)
EVEN = frame_times(64, 2, 125e-6)


def _echoes(time, constant, pushes, seed, noise=0.03):
    """Band-limited random lines at rest that decorrelate as exp(-t/constant) in amplitude."""
    rng = np.random.default_rng(seed)
    samples, frequency = 256, np.fft.rfftfreq(256, 1 / 40e6)
    band = np.exp(-((frequency - 9e6) ** 2) / (2 * (1.8e6) ** 2))

    def lines():
        out = np.fft.irfft(np.fft.rfft(rng.standard_normal((pushes, samples))) * band, samples)
        return out / out.std()

    here = lines()
    out = np.empty((pushes, time.size, samples))
    for k in range(time.size):
        if k and np.isfinite(constant):
            keep = np.exp(-(time[k] - time[k - 1]) / constant)
            here = keep * here + np.sqrt(1 - keep**2) * lines()
        out[:, k] = here + noise * rng.standard_normal((pushes, samples))
    return 1000.0 * out


def _track(time, constant, pushes=60, seed=1):
    return track(_echoes(time, constant, pushes, seed), 6.0 * np.arange(pushes), time, ACQUISITION, GEOMETRY)


@pytest.mark.parametrize("constant", [1.0, 4.0])
def test_what_changes_with_time_is_in_the_stated_noise(constant):
    """Nothing moves: what is read at 100 ms is error, and its standard deviation is that which is stated."""
    found = _track(LATE, constant)
    last = found.value[:, -1]
    walk = np.sqrt((found.step_sd**2).sum(axis=1))
    stated = np.sqrt(walk**2 + found.sd[:, -1] ** 2 + found.shared_sd**2)
    assert np.median(np.abs(last / stated)) / 0.6745 == pytest.approx(1.0, abs=0.35)
    without = np.sqrt(found.sd[:, -1] ** 2 + found.shared_sd**2)
    assert np.median(np.abs(last / without)) / 0.6745 > 1.4


def test_frozen_scatterers_lose_next_to_nothing():
    found = _track(LATE, np.inf)
    walk = np.sqrt((found.step_sd**2).sum(axis=1))
    assert np.median(walk) < 0.3 * np.median(found.sd)


def test_even_frames_have_no_such_walk():
    assert not np.any(_track(EVEN, 4.0, pushes=8).step_sd)


def test_walk_grows_with_the_time_between_frames():
    one = np.ones(1)
    level = Level(0.01 * one, 0 * one, np.zeros((1, 5)), 2 * one, 3.0 * one)
    time = np.array([-1e-3, 0.0, 1e-3, 3e-3, 11e-3])
    got = elapsed_walk(level, time, 0.5 * one, 10.0, 20e-6, 2)
    assert got.shape == (1, 3)
    assert got[0] == pytest.approx(np.sqrt(3.0 * np.array([1e-3, 2e-3, 8e-3]) / 10.0) * 20e-6 / 0.5)
