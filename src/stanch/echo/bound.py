"""The Cramér-Rao bound of a displacement, and the standard deviations that follow from coherence.

References
----------
.. [1] Walker WF, Trahey GE. A fundamental limit on delay estimation using partially correlated speckle signals.
   IEEE Trans Ultrason Ferroelectr Freq Control 1995;42(2):301-308. doi:10.1109/58.365243
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["delay_sd_flat", "delay_sd_spectrum", "independent_samples", "noise_from_coherence", "phase_variance"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complexfloating]


def delay_sd_flat(
    centre_frequency: ArrayLike, bandwidth: ArrayLike, gate_time: ArrayLike, coherence: ArrayLike, snr: ArrayLike
) -> Floats:
    """Least standard deviation of a delay between two echoes of a flat band [1]_.

    Parameters
    ----------
    centre_frequency : array_like
        [Hz].
    bandwidth : array_like
        Full width of the flat band over the centre frequency [-].
    gate_time : array_like
        Length of the gate in echo time [s].
    coherence : array_like
        Peak correlation of the two echoes without noise [-].
    snr : array_like
        Amplitude ratio, signal rms over noise rms, the same for both echoes [-].

    Returns
    -------
    ndarray
        [s]; times half the speed of sound it is a displacement.

    Notes
    -----
    ``sqrt(3 / (2 f0^3 pi^2 T (B^3 + 12 B)) ((1 + 1/snr^2)^2 / rho^2 - 1))``, re-derived from
    ``1 / (2 T int (2 pi f)^2 C/(1 - C) df)`` with C = rho^2/(1 + 1/snr^2)^2 over the band.

    Examples
    --------
    >>> round(float(delay_sd_flat(10e6, 0.6, 3 / 10e6, 1.0, 10.0)) * 1e9, 5)
    1.17179
    """
    f0, b, t = (np.asarray(x, dtype=float) for x in (centre_frequency, bandwidth, gate_time))
    rho, ratio = np.asarray(coherence, dtype=float), np.asarray(snr, dtype=float)
    excess = (1.0 + 1.0 / ratio**2) ** 2 / rho**2 - 1.0
    return np.asarray(np.sqrt(3.0 / (2.0 * f0**3 * np.pi**2 * t * (b**3 + 12.0 * b)) * excess))


def delay_sd_spectrum(frequency: ArrayLike, squared_coherence: ArrayLike, gate_time: float) -> float:
    """Least standard deviation of a delay, integrated over a real spectrum [1]_.

    Parameters
    ----------
    frequency : array_like, shape (frequency,)
        Ascending, from 0 [Hz].
    squared_coherence : array_like, shape (frequency,)
        Magnitude-squared coherence of the two echoes, below 1 [-].
    gate_time : float
        Length of the gate in echo time [s].

    Returns
    -------
    float
        [s]; infinite where no frequency is coherent.

    Raises
    ------
    InputError
        If a squared coherence is outside 0 <= C < 1.
    """
    f = np.asarray(frequency, dtype=float)
    c = np.asarray(squared_coherence, dtype=float)
    if not (np.isfinite(c).all() and (c >= 0).all() and (c < 1).all()):
        raise InputError("squared_coherence", got=(float(c.min()), float(c.max())), allowed="0 <= C < 1")
    information = 2.0 * gate_time * np.trapezoid((2.0 * np.pi * f) ** 2 * c / (1.0 - c), f)
    return float(1.0 / np.sqrt(information)) if information > 0 else float("inf")


def independent_samples(lines: Complex, noise: Floats) -> Floats:
    """Number of independent noise draws that the signal of a gate averages over.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Baseband of the gate.
    noise : ndarray, shape (lag,)
        Normalised autocorrelation of the noise in the baseband [-].

    Returns
    -------
    ndarray, shape (push,)
        ``N E / sum_l noise(l) R(l)``, R the line's own autocorrelation, E = R(0), N the samples: the measured spectrum
        of echo times noise, by Parseval's theorem [-].
    """
    z = np.asarray(lines, dtype=np.complex128)
    count = z.shape[1]
    energy = np.sum(np.abs(z) ** 2, axis=1)
    total = energy * noise[0]
    for lag in range(1, min(noise.size, count)):
        total = total + 2.0 * noise[lag] * np.sum(z[:, lag:] * z[:, : count - lag].conj(), axis=1).real
    spread = np.divide(total, energy, out=np.full_like(energy, count / 1.5), where=energy > 0)
    return np.asarray(count / np.clip(spread, 1.0, count / 1.5))


def noise_from_coherence(squared_coherence: Floats, independent: Floats) -> Floats:
    """Noise over signal energy of two equally noisy echoes from their squared coherence.

    Parameters
    ----------
    squared_coherence : ndarray
        As measured over the gate [-].
    independent : ndarray
        Independent draws in the gate, see :func:`independent_samples` [-].

    Returns
    -------
    ndarray
        ``(1/|c| - 1) M/(M - 1)``: one complex draw is used up by the fitted gain [-].
    """
    c = np.sqrt(np.clip(squared_coherence, 1e-6, 1.0))
    return (1.0 / c - 1.0) * independent / np.maximum(independent - 1.0, 0.5)


def phase_variance(noise: Floats, independent: Floats) -> Floats:
    """Variance of the phase of a cross-correlation that one noisy echo contributes.

    Parameters
    ----------
    noise : ndarray
        Noise over signal energy [-].
    independent : ndarray
        See :func:`independent_samples` [-].

    Returns
    -------
    ndarray
        [rad^2]; divided by the squared phase per metre it is the variance of a displacement. Equal to the bound [1]_
        integrated over the measured spectrum but for the factor 1 + (relative rms bandwidth)^2.
    """
    return noise / (2.0 * independent)
