"""Pin amplitudes are turned into moduli before anything is compared, and what subtracting amplitudes would do."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked

__all__ = ["PIN_CONSTANT", "Subtraction", "amplitude_to_modulus", "subtracted"]

Floats = NDArray[np.float64]
Convert = Callable[[Floats], ArrayLike]

PIN_CONSTANT = 500.0
"""Modulus at amplitude 50 [Pa], 5000 dyn/cm^2: Hartert & Schaeder, Biorheology 1962;1:31-39 (from memory)."""


@dataclass(frozen=True)
class Subtraction:
    """A part told from a whole by subtracting amplitudes and by subtracting moduli.

    Parameters
    ----------
    whole, rest : float
        Amplitude of the whole clot and of the clot without the part [-].
    share_amplitude : float
        (whole - rest) / whole in amplitudes: not the part's share [-].
    whole_modulus, rest_modulus : float
        [Pa].
    share_modulus : float
        The part's share of the modulus [-].
    """

    whole: float
    rest: float
    share_amplitude: float
    whole_modulus: float
    rest_modulus: float
    share_modulus: float


def amplitude_to_modulus(
    amplitude: ArrayLike, *, constant: float = PIN_CONSTANT, convert: Convert | None = None, name: str = "amplitudes"
) -> Floats:
    """Moduli of torsion-pin amplitudes.

    Parameters
    ----------
    amplitude : array_like, shape (sample,)
        0 to below 100 [-].
    constant : float
        Modulus at amplitude 50 [Pa].
    convert : callable, optional
        Another conversion, from amplitudes to moduli [Pa]; `constant` is not used then.
    name : str
        For messages.

    Returns
    -------
    ndarray, shape (sample,)
        [Pa].

    Raises
    ------
    InputError
        If an amplitude is off the scale, or the conversion gives no finite modulus.

    Notes
    -----
    G = constant A/(100 - A): Hartert H, Schaeder JA. Biorheology 1962;1:31-39 (from memory).

    Examples
    --------
    >>> amplitude_to_modulus([20.0, 60.0]).tolist()
    [125.0, 750.0]
    """
    a = checked(amplitude, name)
    off = (a < 0) | (a >= 100)
    if off.any():
        place = int(np.flatnonzero(off)[0])
        raise InputError(
            f"{name}, value {place + 1}",
            got=float(a[place]),
            allowed="amplitudes from 0 to below 100",
            do="Leave --amplitude out where the column already holds moduli.",
        )
    if not (math.isfinite(constant) and constant > 0):
        raise InputError("pin constant", got=constant, allowed="a modulus above 0 Pa")
    modulus = np.asarray(constant * a / (100.0 - a) if convert is None else convert(a), dtype=np.float64)
    if modulus.shape != a.shape or not np.isfinite(modulus).all():
        raise InputError(f"{name}, converted", got="not one finite modulus each", allowed="finite moduli")
    return modulus


def subtracted(
    whole: float, rest: float, *, constant: float = PIN_CONSTANT, convert: Convert | None = None
) -> Subtraction:
    """What subtracting amplitudes makes of a part of the clot.

    Parameters
    ----------
    whole, rest : float
        Amplitudes with and without the part [-].
    constant : float
        [Pa].
    convert : callable, optional
        As in `amplitude_to_modulus`.

    Returns
    -------
    Subtraction

    Examples
    --------
    >>> found = subtracted(60.0, 20.0)
    >>> round(found.share_amplitude, 3), round(found.share_modulus, 3)
    (0.667, 0.833)
    """
    both = amplitude_to_modulus([whole, rest], constant=constant, convert=convert)
    if not whole > 0:
        raise InputError("amplitude of the whole clot", got=whole, allowed="above 0")
    return Subtraction(
        whole, rest, (whole - rest) / whole, float(both[0]), float(both[1]), float((both[0] - both[1]) / both[0])
    )
