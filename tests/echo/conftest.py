"""Simulated echoes: band-limited noise, moved by exact delays in the Fourier domain."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.recording.records import Acquisition

Floats = NDArray[np.float64]
Make = Callable[..., Floats]


@pytest.fixture(scope="session")
def make_echo() -> Make:
    """A function of (shift[push, frame], SNR in dB, seed, own speckle per push, samples) -> echo."""

    def make(shift: Floats, snr_db: float, seed: int, frozen: bool = False, samples: int = 256) -> Floats:
        rng = np.random.default_rng(seed)
        acquisition = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
        long, fs, f0 = 1024, acquisition.sampling_rate, acquisition.centre_frequency
        frequency = np.fft.rfftfreq(long, 1 / fs)
        sigma = 0.6 * f0 / (2 * np.sqrt(2 * np.log(4)))
        shape = np.exp(-((frequency - f0) ** 2) / (4 * sigma**2))
        rows = 1 if frozen else len(shift)
        spectrum = (rng.normal(size=(rows, shape.size)) + 1j * rng.normal(size=(rows, shape.size))) * shape
        delay = 2 * shift / acquisition.sound_speed
        moved = spectrum[:, None] * np.exp(-2j * np.pi * frequency * delay[..., None])
        line = np.fft.irfft(moved, long)[..., 300 : 300 + samples]
        line = line / np.sqrt(np.mean(line**2))
        return np.asarray(2000 * (line + rng.normal(size=line.shape) * 10 ** (-snr_db / 20)))

    return make
