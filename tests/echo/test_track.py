"""The tracking stage on simulated echoes; they are made by exact shifts in the Fourier domain."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo import TrackSettings, track
from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError
from stanch.recording.records import Acquisition, Geometry

ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
FRAME_TIME = np.r_[-2:0, 1:33] * 125e-6
MOVE = np.r_[0.0, 0.0, np.sin(np.arange(32) / 32 * np.pi)]
Floats = NDArray[np.float64]


def echoes(shift: Floats, snr_db: float, seed: int, samples: int = 256) -> Floats:
    """Band-limited noise shifted as a whole, shape (push, frame, sample); SNR within the echo's own line."""
    rng = np.random.default_rng(seed)
    long, fs, f0 = 1024, ACQUISITION.sampling_rate, ACQUISITION.centre_frequency
    frequency = np.fft.rfftfreq(long, 1 / fs)
    sigma = 0.6 * f0 / (2 * np.sqrt(2 * np.log(4)))
    shape = np.exp(-((frequency - f0) ** 2) / (4 * sigma**2))
    spectrum = (rng.normal(size=(len(shift), shape.size)) + 1j * rng.normal(size=(len(shift), shape.size))) * shape
    delay = 2 * shift / ACQUISITION.sound_speed
    moved = spectrum[:, None] * np.exp(-2j * np.pi * frequency * delay[..., None])
    line = np.fft.irfft(moved, long)[..., 300 : 300 + samples]
    line = line / np.sqrt(np.mean(line**2))
    return np.asarray(2000 * (line + rng.normal(size=line.shape) * 10 ** (-snr_db / 20)))


DEFAULT = TrackSettings()


def run(echo: NDArray[np.generic], settings: TrackSettings = DEFAULT) -> Displacement:
    return track(np.asarray(echo), np.arange(float(len(echo))), FRAME_TIME, ACQUISITION, GEOMETRY, settings)


def test_positive_is_away_from_the_transducer() -> None:
    # Later echo = further away = positive.
    echo = echoes(np.zeros((1, 34)), 60, 1, 258)
    later = np.concatenate([echo[:, :2, 2:], echo[:, 2:, :-2]], axis=1)
    found = run(later).value
    assert found == pytest.approx(2 * ACQUISITION.sample_spacing, rel=0.01)


@pytest.mark.parametrize("peak", [0.5e-6, 8e-6, 30e-6, 100e-6])
def test_known_shift_comes_back(peak: float) -> None:
    move = np.tile(MOVE * peak, (40, 1))
    found = run(echoes(move, 40, 2))
    error = found.value - move[:, 2:]
    spread = np.sqrt(found.sd**2 + found.shared_sd[:, None] ** 2)
    # 40 pushes share one reference error each: the mean of 40 z-values stays within 4/sqrt(40).
    assert abs(np.mean(error / spread)) < 4 / np.sqrt(40)
    assert 0.85 < np.sqrt(np.mean((error / spread) ** 2)) < 1.2
    assert (found.weight == 1).all()
    assert (found.flags == PushFlag.NONE).all()


def test_blocks_equal_the_whole() -> None:
    echo = echoes(np.tile(MOVE * 8e-6, (7, 1)), 30, 3).astype(np.int16)
    whole = run(echo)
    parts = track(iter([echo[:3], echo[3:4], echo[4:]]), np.arange(7.0), FRAME_TIME, ACQUISITION, GEOMETRY)
    assert np.array_equal(whole.value, parts.value)
    assert np.array_equal(whole.sd, parts.sd)
    assert whole.link is not None
    assert parts.link is not None
    assert np.allclose(whole.link, parts.link, atol=1e-6)


def test_wrong_frame_count_is_refused() -> None:
    with pytest.raises(InputError, match="34 frames"):
        run(np.zeros((2, 30, 256)))
