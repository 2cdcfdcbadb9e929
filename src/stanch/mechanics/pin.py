"""Amplitude of a torsion pin against shear modulus.

A pin that hangs from a torsion wire in a slowly turning cup swings with an amplitude A on a scale from 0 (no clot) to
100 (pin follows the cup). Amplitude is not linear in modulus: amplitudes, their differences and percentage losses must
not be read as moduli.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = [
    "HALF_SCALE_MODULUS",
    "HALF_SCALE_RELATIVE_SD",
    "amplitude_from_modulus",
    "amplitude_uncertainty",
    "modulus_from_amplitude",
    "modulus_relative_uncertainty",
]

Floats = NDArray[np.float64]

HALF_SCALE_MODULUS = 500.0
"""Modulus at A = 50 [Pa], 5000 dyn/cm^2: Hartert & Schaeder, Biorheology 1962;1:31-39 (formula from memory)."""

HALF_SCALE_RELATIVE_SD = 0.25
"""Relative standard uncertainty of that constant [-]: it belongs to one geometry and one wire (from memory)."""


def modulus_from_amplitude(amplitude: ArrayLike, half_scale: float = HALF_SCALE_MODULUS) -> Floats:
    """Shear modulus that gives a pin amplitude, G = G50 A/(100 - A).

    Parameters
    ----------
    amplitude : array_like
        0 to below 100 [-].
    half_scale : float
        G50, the modulus at amplitude 50 [Pa].

    Returns
    -------
    ndarray
        [Pa].

    Raises
    ------
    InputError
        If an amplitude is outside the scale.

    Examples
    --------
    >>> modulus_from_amplitude([20, 60]).tolist()
    [125.0, 750.0]
    """
    a = _on_scale(amplitude)
    return np.asarray(_positive(half_scale) * a / (100.0 - a))


def amplitude_from_modulus(modulus: ArrayLike, half_scale: float = HALF_SCALE_MODULUS) -> Floats:
    """Pin amplitude of a shear modulus, A = 100 G/(G50 + G).

    Parameters
    ----------
    modulus : array_like
        Not negative [Pa].
    half_scale : float
        G50, the modulus at amplitude 50 [Pa].

    Returns
    -------
    ndarray
        0 to below 100 [-].

    Raises
    ------
    InputError
        If a modulus is negative or not finite.

    Examples
    --------
    >>> round(float(amplitude_from_modulus(625.0)), 3)
    55.556
    """
    g = np.asarray(modulus, dtype=np.float64)
    if not np.all(np.isfinite(g) & (g >= 0)):
        raise InputError("modulus", got=modulus, allowed="finite numbers, 0 Pa or more")
    return np.asarray(100.0 * g / (_positive(half_scale) + g))


def modulus_relative_uncertainty(
    amplitude: ArrayLike, amplitude_sd: ArrayLike, half_scale_relative_sd: float = HALF_SCALE_RELATIVE_SD
) -> Floats:
    """Relative standard uncertainty of a modulus converted from an amplitude.

    Parameters
    ----------
    amplitude : array_like
        Above 0, below 100 [-].
    amplitude_sd : array_like
        Standard uncertainty of the amplitude [-].
    half_scale_relative_sd : float
        Relative standard uncertainty of the conversion constant [-]; it is common to all readings of one instrument and
        cancels in their ratios.

    Returns
    -------
    ndarray
        [-].

    Raises
    ------
    InputError
        If an amplitude is 0 or outside the scale.

    Notes
    -----
    dG/G = 100 dA/(A (100 - A)), in quadrature with the constant (JCGM 100:2008, 5.1.2).

    Examples
    --------
    >>> float(modulus_relative_uncertainty(50.0, 1.0, 0.0))
    0.04
    """
    a = _on_scale(amplitude)
    if np.any(a == 0.0):
        raise InputError("amplitude", got=amplitude, allowed="above 0, where a relative uncertainty exists")
    own = 100.0 * np.asarray(amplitude_sd, dtype=np.float64) / (a * (100.0 - a))
    return np.asarray(np.hypot(own, half_scale_relative_sd))


def amplitude_uncertainty(
    modulus: ArrayLike,
    modulus_relative_sd: ArrayLike,
    half_scale: float = HALF_SCALE_MODULUS,
    half_scale_relative_sd: float = HALF_SCALE_RELATIVE_SD,
) -> Floats:
    """Standard uncertainty of an amplitude converted from a modulus.

    Parameters
    ----------
    modulus : array_like
        Not negative [Pa].
    modulus_relative_sd : array_like
        Relative standard uncertainty of the modulus [-].
    half_scale : float
        G50, the modulus at amplitude 50 [Pa].
    half_scale_relative_sd : float
        Relative standard uncertainty of G50 [-].

    Returns
    -------
    ndarray
        On the scale from 0 to 100 [-].

    Notes
    -----
    dA = A (100 - A)/100 times the relative uncertainties of G and G50 in quadrature.
    """
    a = amplitude_from_modulus(modulus, half_scale)
    both = np.hypot(np.asarray(modulus_relative_sd, dtype=np.float64), half_scale_relative_sd)
    return np.asarray(a * (100.0 - a) / 100.0 * both)


def _on_scale(amplitude: ArrayLike) -> Floats:
    a = np.asarray(amplitude, dtype=np.float64)
    if not np.all((a >= 0.0) & (a < 100.0)):
        raise InputError("amplitude", got=amplitude, allowed="0 to below 100")
    return a


def _positive(half_scale: float) -> float:
    if not (math.isfinite(half_scale) and half_scale > 0):
        raise InputError("half_scale", got=half_scale, allowed="a positive finite modulus [Pa]")
    return half_scale
