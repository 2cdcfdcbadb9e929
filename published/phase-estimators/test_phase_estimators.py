"""One- and two-dimensional autocorrelation on noise-free speckle, and where they wrap."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo.autocorrelation import kasai, loupas
from stanch.echo.demodulate import pulse_sigma

ROWS = list(csv.DictReader((Path(__file__).parent / "gain.csv").read_text(encoding="utf-8").splitlines()))
FS, F0, C = 100e6, 10e6, 1540.0


def pair(displacement: float, shift: float, draws: int, seed: int) -> tuple[NDArray[np.complex128], ...]:
    """Baseband gates of six periods before and after a movement away, by exact delay in the Fourier domain."""
    rng = np.random.default_rng(seed)
    long, count = 2048, round(6 * FS / F0)
    f = np.fft.fftfreq(long, 1 / FS)
    sigma = pulse_sigma(0.6) * F0
    shape = np.exp(-((f - shift * F0) ** 2) / (4 * sigma**2))
    spectrum = shape * (rng.normal(size=(draws, long)) + 1j * rng.normal(size=(draws, long)))
    delay = 2 * displacement / C
    later = spectrum * np.exp(-2j * np.pi * (f + F0) * delay)
    return tuple(np.fft.ifft(s)[:, 700 : 700 + count] for s in (spectrum, later))


@pytest.mark.parametrize("row", ROWS)
def test_gain(row: dict[str, str]) -> None:
    d, shift = float(row["displacement_um"]) * 1e-6, float(row["frequency_shift"])
    reference, later = pair(d, shift, 600, 1)
    one = kasai(reference, later, F0, C)
    two = loupas(reference, later, F0, FS, C)
    assert two.mean() == pytest.approx(d, rel=1e-3)
    # Kasai is low by the shift of the centre frequency, +-1 %.
    assert one.mean() / d == pytest.approx(1 + shift, abs=0.015)
    assert 0.05 < one.std() / d < 0.08
    assert two.std() < 0.1 * one.std()


def test_wraps_at_a_quarter_wavelength() -> None:
    quarter = C / F0 / 4
    inside = kasai(*pair(0.97 * quarter, 0.0, 200, 2), F0, C)
    beyond = kasai(*pair(1.2 * quarter, 0.0, 200, 2), F0, C)
    assert np.median(inside) > 0.9 * quarter
    # One wrap is half a wavelength.
    assert np.median(beyond) == pytest.approx((1.2 - 2) * quarter, rel=0.1)
    assert 2 * quarter == pytest.approx(77e-6)
