"""Phase estimators on complex baseband: one-dimensional (Kasai) and two-dimensional (Loupas) autocorrelation.

References
----------
.. [1] Kasai C, Namekawa K, Koyano A, Omoto R. Real-time two-dimensional blood flow imaging using an autocorrelation
   technique. IEEE Trans Sonics Ultrason 1985;32(3):458-464.
.. [2] Loupas T, Powers JT, Gill RW. An axial velocity estimator for ultrasound blood flow imaging, based on a full
   evaluation of the Doppler equation by means of a two-dimensional autocorrelation approach. IEEE Trans Ultrason
   Ferroelectr Freq Control 1995;42(4):672-688.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["kasai", "local_frequency", "loupas"]

Complex = NDArray[np.complexfloating]
Floats = NDArray[np.float64]


def kasai(reference: Complex, later: Complex, demodulation_frequency: float, sound_speed: float) -> Floats:
    """Displacement by one-dimensional autocorrelation [1]_.

    Parameters
    ----------
    reference, later : ndarray of complex, shape (..., sample)
        Baseband of the gate before and after the movement.
    demodulation_frequency : float
        Frequency at zero in the baseband, taken for the echo's own [Hz].
    sound_speed : float
        [m/s].

    Returns
    -------
    ndarray, shape (...)
        Positive away from the transducer, wrapped to plus or minus a quarter wavelength [m].
    """
    phase = np.angle(np.sum(reference * later.conj(), axis=-1))
    return np.asarray(sound_speed * phase / (4 * np.pi * demodulation_frequency))


def local_frequency(reference: Complex, later: Complex, rate: float) -> Floats:
    """Mean frequency of two lines in the baseband [2]_.

    Parameters
    ----------
    reference, later : ndarray of complex, shape (..., sample)
    rate : float
        Baseband samples per second [Hz].

    Returns
    -------
    ndarray, shape (...)
        Relative to the demodulation frequency [Hz].
    """
    lag_one = np.sum(reference[..., 1:] * reference[..., :-1].conj(), axis=-1)
    lag_one = lag_one + np.sum(later[..., 1:] * later[..., :-1].conj(), axis=-1)
    return np.asarray(rate * np.angle(lag_one) / (2 * np.pi))


def loupas(
    reference: Complex, later: Complex, demodulation_frequency: float, rate: float, sound_speed: float
) -> Floats:
    """Displacement by two-dimensional autocorrelation: phase over the echo's own local frequency [2]_.

    Parameters
    ----------
    reference, later : ndarray of complex, shape (..., sample)
        Baseband of the gate before and after the movement.
    demodulation_frequency : float
        Frequency at zero in the baseband [Hz].
    rate : float
        Baseband samples per second [Hz].
    sound_speed : float
        [m/s].

    Returns
    -------
    ndarray, shape (...)
        Positive away from the transducer, wrapped to plus or minus a quarter wavelength [m].
    """
    phase = np.angle(np.sum(reference * later.conj(), axis=-1))
    frequency = demodulation_frequency + local_frequency(reference, later, rate)
    return np.asarray(sound_speed * phase / (4 * np.pi * frequency))
