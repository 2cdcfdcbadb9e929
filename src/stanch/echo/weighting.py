"""How the frequencies of the echo are weighted against each other: one weighting per well, from its own spectra.

Plain autocorrelation weights each frequency with its energy. That is best against noise, but where shear under the beam
limits the estimate it uses only the middle of the band: a weighting that is flatter over the band averages over more
independent speckle cells. The best linear weighting of the cross-spectrum for a noise-to-echo ratio x and a
decorrelated share q of the energy is ``W = omega P / (P (x N + q P) + x^2 N^2)`` with the echo spectrum P and the
noise spectrum N, which is where the Cramér-Rao bound of Walker and Trahey (1995) has its minimum. It is restricted here
to sums over a few lags of the cross-correlation, which the tracker leaves behind anyway.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.echo.demodulate import LAGS, Band

__all__ = [
    "Weighting",
    "choose_weighting",
    "design_weighting",
    "mean_spectrum",
    "noise_spectrum",
    "plain_weighting",
    "realised",
]

Complex = NDArray[np.complexfloating]
Floats = NDArray[np.float64]

GRID = 256


@dataclass(frozen=True)
class Weighting:
    """A weighting of the cross-spectrum.

    Parameters
    ----------
    lags : ndarray of complex, shape (lag,)
        Coefficients on the lags of the cross-correlation, Hermitian [-].
    frequency : ndarray, shape (frequency,)
        Baseband angular frequency per sample, FFT order [rad].
    gain : ndarray, shape (frequency,)
        The weighting over frequency [-].
    echo, noise : ndarray, shape (frequency,)
        Spectra of the echo and of the noise it was made for, mean 1 [-].
    """

    lags: NDArray[np.complex128]
    frequency: Floats
    gain: Floats
    echo: Floats
    noise: Floats

    def cells(self, count: float) -> float:
        """Independent speckle cells among `count` baseband samples [-]."""
        return float(count * np.mean(self.gain * self.echo) ** 2 / np.mean((self.gain * self.echo) ** 2))


def _omega() -> Floats:
    return np.asarray(2 * np.pi * np.fft.fftfreq(GRID), dtype=np.float64)


def noise_spectrum(band: Band) -> Floats:
    """Spectrum of filtered white noise in the baseband, mean 1, FFT order [-].

    Parameters
    ----------
    band : Band

    Returns
    -------
    ndarray, shape (frequency,)
    """
    lags = np.zeros(GRID)
    reach = min(band.noise.size, GRID // 2)
    lags[:reach] = band.noise[:reach]
    lags[-reach + 1 :] = band.noise[reach - 1 : 0 : -1]
    return np.asarray(np.maximum(np.fft.fft(lags).real, 1e-6))


def mean_spectrum(lines: Complex, noise: Floats, share: Floats) -> Floats:
    """Spectrum of the echo over all pushes, mean 1, FFT order [-].

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Baseband of the gate, no row empty.
    noise : ndarray, shape (frequency,)
        Of the noise, mean 1 [-].
    share : ndarray, shape (push,)
        Noise over echo energy of each line [-].

    Returns
    -------
    ndarray, shape (frequency,)
        From tapered gates, smoothed with a lag window a few times as long as the pulse.
    """
    z = lines / np.sqrt(np.mean(np.abs(lines) ** 2, axis=1, keepdims=True))
    # The taper keeps the ends of the gate from filling the edges of the band.
    taper = np.hanning(lines.shape[1] + 2)[1:-1]
    z = z * taper / np.sqrt(np.mean(taper**2))
    raw = np.mean(np.abs(np.fft.fft(z, max(GRID, 1 << int(np.ceil(np.log2(2 * z.shape[1])))), axis=1)) ** 2, axis=0)
    raw = raw[:: raw.size // GRID] / lines.shape[1]
    raw = raw - np.mean(share / (1 + share)) * noise
    lags = np.fft.ifft(raw)
    reach = 2 * LAGS
    window = np.zeros(GRID)
    k = np.arange(reach + 1)
    window[: reach + 1] = 0.5 * (1 + np.cos(np.pi * k / (reach + 1)))
    window[-reach:] = window[reach:0:-1]
    smooth = np.fft.fft(lags * window).real
    smooth = np.maximum(smooth, 1e-4 * smooth.max())
    return np.asarray(smooth / smooth.mean())


def design_weighting(echo: Floats, noise: Floats, carrier: float, noise_share: float, decorrelated: float) -> Weighting:
    """Best weighting over the lags kept, for given spectra.

    Parameters
    ----------
    echo, noise : ndarray, shape (frequency,)
        Mean 1, FFT order [-].
    carrier : float
        Phase of the carrier per baseband sample [rad].
    noise_share : float
        Noise over echo energy, frame and reference together [-].
    decorrelated : float
        Share of the echo energy that shear has decorrelated [-].

    Returns
    -------
    Weighting
    """
    omega = _omega()
    # The level inside the band everywhere: beyond its edges there is leakage, which must not be weighted up.
    flat = float(noise.max())
    error = echo * (noise_share * flat + decorrelated * echo) + 0.25 * (noise_share * flat) ** 2
    error = error / error.mean()
    basis = np.exp(-1j * omega[:, None] * (np.arange(LAGS) - LAGS // 2))
    normal = (basis.conj().T * error) @ basis / GRID
    target = ((carrier + omega) * echo) @ basis / GRID
    lags = np.linalg.solve(normal + 1e-5 * np.eye(LAGS), target.conj())
    lags = 0.5 * (lags + lags[::-1].conj())
    gain = (basis @ lags).real
    scale = np.mean(gain * echo)
    return Weighting(lags / scale, omega, gain / scale, echo, noise)


def plain_weighting(lines: Complex, share: Floats, band: Band) -> Weighting:
    """Every frequency by its own energy, as plain autocorrelation does.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Pre-push baseband of the gate, no row empty.
    share : ndarray, shape (push,)
        Noise over echo energy of each line [-].
    band : Band

    Returns
    -------
    Weighting
    """
    noise = noise_spectrum(band)
    echo = mean_spectrum(lines, noise, share) if lines.shape[0] else np.ones(GRID)
    lags = np.zeros(LAGS, np.complex128)
    lags[LAGS // 2] = 1.0
    return Weighting(lags, _omega(), np.ones(GRID), echo, noise)


def choose_weighting(
    lines: Complex, share: Floats, moved: Floats, decorrelated: Floats, used: Floats, band: Band, carrier: float
) -> Weighting:
    """Weighting of a well from its pre-push lines and what its largest movements decorrelate.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Pre-push baseband of the gate, no row empty.
    share : ndarray, shape (push,)
        Noise over echo energy of one frame [-].
    moved : ndarray, shape (push,)
        Largest movement of each push [m].
    decorrelated : ndarray, shape (push,)
        Share of the energy decorrelated at that movement, beyond noise [-].
    used : ndarray, shape (push,)
        Frames averaged in the reference [-].
    band : Band
    carrier : float
        Phase of the carrier per baseband sample [rad].

    Returns
    -------
    Weighting
        That of the least typical relative error at the largest movement.
    """
    noise = noise_spectrum(band)
    echo = mean_spectrum(lines, noise, share / used)
    both = share * (1.0 + 1.0 / used)
    square = np.maximum(moved, 1e-12) ** 2
    typical = float(np.median(both))
    ratio = float(np.median(decorrelated / square) / max(float(np.median(both / square)), 1e-300))
    return design_weighting(echo, noise, carrier, typical, typical * ratio)


def realised(weighting: Weighting, beyond: Complex, centre: Floats, draws: Floats) -> tuple[Floats, Floats, Floats]:
    """What the weighting makes of the echoes that happen to be there.

    Parameters
    ----------
    weighting : Weighting
    beyond : ndarray of complex, shape (push, sample)
        Pre-push baseband of the gate with half the lags more at either end.
    centre : ndarray, shape (push,)
        Phase of the plain cross-correlation per baseband sample of movement [rad].
    draws : ndarray, shape (push,)
        Independent noise draws under plain weighting, see :func:`~stanch.echo.bound.independent_samples` [-].

    Returns
    -------
    slope : ndarray, shape (push,)
        As `centre`, under the weighting [rad].
    draws : ndarray, shape (push,)
        As `draws`, under the weighting [-].
    local : ndarray, shape (push, sample of the gate)
        Weight of each sample of the gate in the displacement, each row summing to 1 [-].
    """
    echo, noise, gain, omega = weighting.echo, weighting.noise, weighting.gain, weighting.frequency
    plain = np.mean(omega * echo) / np.mean(echo)
    slope = centre + np.mean(gain * omega * echo) / np.mean(gain * echo) - plain
    ratio = np.mean(gain * echo) ** 2 / np.mean(gain**2 * echo * noise) * np.mean(echo * noise) / np.mean(echo) ** 2
    z = np.asarray(beyond, dtype=np.complex128)
    half = weighting.lags.size // 2
    count = z.shape[1] - 2 * half
    middle = z[:, half : half + count]
    local = np.zeros(middle.shape)
    for k, factor in enumerate(weighting.lags):
        local += (factor * middle * z[:, k : k + count].conj()).real
    total = local.sum(axis=1, keepdims=True)
    local = np.where(total > 0, local / np.where(total > 0, total, 1.0), 1.0 / count)
    return slope, draws * ratio, local
