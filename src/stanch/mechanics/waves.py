"""Shear waves and pushes without walls: dispersion, first movement, radiation force and heating.

What is exact here holds in a well until the first echo from its wall is back, and tells what to expect of a setting.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = [
    "DAWSON_PEAK",
    "DAWSON_PEAK_AT",
    "critical_viscosity",
    "heating",
    "impulse_movement",
    "lowest_ringing_modulus",
    "modulus_from_peak_time",
    "peak_time",
    "phase_speed",
    "power_law_attenuation",
    "radiation_force",
    "ringing_frequency",
    "shear_attenuation",
    "wavenumber",
]

Floats = NDArray[np.float64]

DAWSON_PEAK_AT = 0.924138873004591767
"""Where Dawson's integral is largest [-]."""

DAWSON_PEAK = 0.541044224635181698
"""Its largest value [-]."""

NEPER_PER_METRE = 100.0 * math.log(10.0) / 20.0
"""Np/m in 1 dB/cm [-]."""


def wavenumber(
    modulus: ArrayLike, viscosity: ArrayLike, frequency: ArrayLike, density: float
) -> NDArray[np.complex128]:
    """Complex wavenumber of plane shear waves in a Kelvin-Voigt medium, for movement exp(i w t - i k x).

    Parameters
    ----------
    modulus : array_like
        G [Pa].
    viscosity : array_like
        eta [Pa·s].
    frequency : array_like
        Positive [Hz].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray of complex
        k = w sqrt(rho/(G + i w eta)), real part positive, imaginary part not [1/m].

    Raises
    ------
    InputError
        If frequency or density is not positive, G or eta negative, or both zero.
    """
    g, e = np.asarray(modulus, dtype=np.float64), np.asarray(viscosity, dtype=np.float64)
    omega = 2.0 * math.pi * np.asarray(frequency, dtype=np.float64)
    if not np.all((g >= 0) & (e >= 0) & (g + e > 0)):
        raise InputError("modulus and viscosity", got=(modulus, viscosity), allowed="0 or more, not both 0")
    if not (np.all(omega > 0) and density > 0):
        raise InputError("frequency and density", got=(frequency, density), allowed="positive numbers")
    return np.asarray(omega * np.sqrt(density / (g + 1j * omega * e)))


def phase_speed(modulus: ArrayLike, viscosity: ArrayLike, frequency: ArrayLike, density: float) -> Floats:
    """Phase speed [m/s] of plane shear waves; arguments as in :func:`wavenumber`."""
    omega = 2.0 * math.pi * np.asarray(frequency, dtype=np.float64)
    return np.asarray(omega / wavenumber(modulus, viscosity, frequency, density).real)


def shear_attenuation(modulus: ArrayLike, viscosity: ArrayLike, frequency: ArrayLike, density: float) -> Floats:
    """Attenuation [1/m] (Np/m) of plane shear waves; arguments as in :func:`wavenumber`."""
    return np.asarray(-wavenumber(modulus, viscosity, frequency, density).imag)


def impulse_movement(time: ArrayLike, modulus: float, viscosity: float, push_radius: float, density: float) -> Floats:
    """Movement on the axis of an unbounded medium after a very short, very long push exp(-r^2/a^2).

    Parameters
    ----------
    time : array_like, shape (frame,)
        Since the push, 0 or more [s].
    modulus : float
        G [Pa].
    viscosity : float
        eta [Pa·s].
    push_radius : float
        a [m].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray, shape (frame,)
        Per unit impulse per volume [m^2·s/kg].

    Raises
    ------
    InputError
        If a number is out of range.

    Notes
    -----
    Hankel transform in r: (a^2/2 rho) Int k exp(-k^2 a^2/4) exp(-b t) sin(W t)/W dk, b = eta k^2/(2 rho),
    W^2 = G k^2/rho - b^2. Without viscosity it is (a/(rho c)) D(c t/a), D Dawson's integral, c = sqrt(G/rho).
    """
    t = np.atleast_1d(np.asarray(time, dtype=np.float64))
    if not np.all(np.isfinite(t) & (t >= 0)):
        raise InputError("time", got=time, allowed="finite times, 0 s or more")
    if not (modulus >= 0 and viscosity >= 0 and push_radius > 0 and density > 0):
        raise InputError(
            "medium", got=(modulus, viscosity, push_radius, density), allowed="numbers that are not negative"
        )
    k_end = 2.0 * math.sqrt(40.0) / push_radius
    turns = k_end * math.sqrt(modulus / density) * float(t.max(initial=0.0)) / (2.0 * math.pi)
    panels = 24 + math.ceil(2.0 * turns)
    node, weight = np.polynomial.legendre.leggauss(16)
    half = 0.5 * k_end / panels
    k = (half * (2 * np.arange(panels) + 1)[:, None] + half * node).ravel()
    b = viscosity * k**2 / (2.0 * density)
    root = np.sqrt((b**2 - modulus * k**2 / density).astype(np.complex128))
    s = np.where(np.abs(root) < 1e-6 * (b + 1.0), 1e-6 * (b + 1.0), root)
    # Slow and fast exponents: their product is G k^2/rho, so the slow one loses no digits.
    fast = -(b + s)
    slow = modulus * k**2 / density / fast
    kernel = ((np.exp(np.outer(t, slow)) - np.exp(np.outer(t, fast))) / (slow - fast)).real
    load = k * np.exp(-((k * push_radius) ** 2) / 4.0) * np.tile(weight, panels) * half
    return np.asarray(push_radius**2 / (2.0 * density) * (kernel @ load))


def peak_time(modulus: ArrayLike, push_radius: float, density: float) -> Floats:
    """Time [s] from a very short push to the largest movement on the axis, no walls and no viscosity.

    Parameters
    ----------
    modulus : array_like
        G [Pa].
    push_radius : float
        a in exp(-r^2/a^2) [m].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray
        0.924139 a/sqrt(G/rho) [s].

    Examples
    --------
    >>> round(float(peak_time(100.0, 0.25e-3 * 2**0.5, 1060.0)) * 1e3, 4)
    1.0638
    """
    g = np.asarray(modulus, dtype=np.float64)
    if not (np.all(g > 0) and push_radius > 0 and density > 0):
        raise InputError(
            "modulus, push_radius, density", got=(modulus, push_radius, density), allowed="positive numbers"
        )
    return np.asarray(DAWSON_PEAK_AT * push_radius / np.sqrt(g / density))


def modulus_from_peak_time(time: ArrayLike, push_radius: float, density: float) -> Floats:
    """Modulus [Pa] whose :func:`peak_time` this is.

    Parameters
    ----------
    time : array_like
        To the largest movement [s].
    push_radius : float
        a in exp(-r^2/a^2) [m].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray
        [Pa].
    """
    t = np.asarray(time, dtype=np.float64)
    if not (np.all(t > 0) and push_radius > 0 and density > 0):
        raise InputError("time, push_radius, density", got=(time, push_radius, density), allowed="positive numbers")
    return np.asarray(density * (DAWSON_PEAK_AT * push_radius / t) ** 2)


def power_law_attenuation(frequency: ArrayLike, coefficient: float = 0.15, exponent: float = 1.2) -> Floats:
    """Ultrasound attenuation that grows with a power of frequency.

    Parameters
    ----------
    frequency : array_like
        [Hz].
    coefficient : float
        At 1 MHz [dB/cm]; 0.15 was reported for blood (Diagnostics 2023;13:855, table 4).
    exponent : float
        [-]; 1.2 is an assumption.

    Returns
    -------
    ndarray
        Amplitude attenuation in Np/m [1/m].

    Examples
    --------
    >>> round(float(power_law_attenuation(5e6)), 4)
    11.9135
    """
    f = np.asarray(frequency, dtype=np.float64)
    if not np.all(f > 0):
        raise InputError("frequency", got=frequency, allowed="positive frequencies [Hz]")
    return np.asarray(NEPER_PER_METRE * coefficient * (f / 1e6) ** exponent)


def radiation_force(attenuation: ArrayLike, intensity: ArrayLike, sound_speed: float) -> Floats:
    """Body force of a travelling wave, F = 2 alpha I/c.

    Parameters
    ----------
    attenuation : array_like
        alpha, of the amplitude, scattering included [1/m].
    intensity : array_like
        Time average during the push [W/m^2].
    sound_speed : float
        [m/s].

    Returns
    -------
    ndarray
        [N/m^3].

    Notes
    -----
    Palmeri et al. 2005; Nyborg 1965. Attenuation rises when blood clots, and the force with it.
    """
    if not sound_speed > 0:
        raise InputError("sound_speed", got=sound_speed, allowed="a positive speed [m/s]")
    return np.asarray(2.0 * np.asarray(attenuation) * np.asarray(intensity) / sound_speed, dtype=np.float64)


def heating(
    absorption: ArrayLike, intensity: ArrayLike, duration: float, density: float, heat_capacity: float = 3600.0
) -> Floats:
    """Largest temperature rise of one push, no heat led away.

    Parameters
    ----------
    absorption : array_like
        Of the amplitude [1/m].
    intensity : array_like
        Time average during the push [W/m^2].
    duration : float
        Of the push [s].
    density : float
        [kg/m^3].
    heat_capacity : float
        [m^2/s^2/K].

    Returns
    -------
    ndarray
        [K].
    """
    if not (duration > 0 and density > 0 and heat_capacity > 0):
        raise InputError("duration, density, heat_capacity", got=(duration, density, heat_capacity), allowed="positive")
    power = 2.0 * np.asarray(absorption, dtype=np.float64) * np.asarray(intensity, dtype=np.float64)
    return np.asarray(power * duration / (density * heat_capacity))


def ringing_frequency(modulus: ArrayLike, eigenvalue: ArrayLike, density: float) -> Floats:
    """Undamped frequency [Hz] of a mode, sqrt(G lambda/rho)/(2 pi).

    Parameters
    ----------
    modulus : array_like
        G [Pa].
    eigenvalue : array_like
        lambda of the well's Stokes operator [1/m^2].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray
        [Hz].
    """
    return np.asarray(np.sqrt(np.asarray(modulus) * np.asarray(eigenvalue) / density) / (2.0 * math.pi))


def critical_viscosity(modulus: ArrayLike, eigenvalue: ArrayLike, density: float) -> Floats:
    """Viscosity [Pa·s] at and above which a mode no longer rings, 2 sqrt(rho G/lambda).

    Parameters
    ----------
    modulus : array_like
        G [Pa].
    eigenvalue : array_like
        lambda of the well's Stokes operator [1/m^2].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray
        [Pa·s].
    """
    return np.asarray(2.0 * np.sqrt(density * np.asarray(modulus) / np.asarray(eigenvalue)))


def lowest_ringing_modulus(viscosity: ArrayLike, eigenvalue: ArrayLike, density: float) -> Floats:
    """Modulus [Pa] below which a mode does not ring, eta^2 lambda/(4 rho).

    Parameters
    ----------
    viscosity : array_like
        eta [Pa·s].
    eigenvalue : array_like
        lambda of the well's Stokes operator [1/m^2].
    density : float
        [kg/m^3].

    Returns
    -------
    ndarray
        [Pa].
    """
    return np.asarray(np.asarray(viscosity) ** 2 * np.asarray(eigenvalue) / (4.0 * density))
