"""Viscosity of liquid blood from haematocrit, at high shear rate."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["PLASMA_VISCOSITY", "blood_viscosity", "relative_viscosity"]

Floats = NDArray[np.float64]

PLASMA_VISCOSITY = 1.2e-3
"""Of plasma at 37 °C [Pa·s] (from memory; 1.1 to 1.3 mPa·s is usual)."""


def relative_viscosity(haematocrit: ArrayLike, tube_diameter: float = math.inf) -> Floats:
    """Apparent viscosity of blood over that of plasma.

    Parameters
    ----------
    haematocrit : array_like
        Volume fraction of red cells, 0 to below 1 [-].
    tube_diameter : float
        Inner diameter of the tube; infinite for bulk blood [m].

    Returns
    -------
    ndarray
        [-].

    Raises
    ------
    InputError
        If the haematocrit is no fraction or the diameter is not positive.

    Notes
    -----
    Pries, Neuhaus & Gaehtgens, Am J Physiol 1992;263:H1770, as restated by Secomb & Pries 2013, with D in micrometres:
    eta45 = 220 exp(-1.3 D) + 3.2 - 2.44 exp(-0.06 D^0.645); C = (0.8 + exp(-0.075 D)) (q - 1) + q,
    q = 1/(1 + 1e-11 D^12); relative = 1 + (eta45 - 1) ((1 - H)^C - 1)/(0.55^C - 1). Valid at high shear rate only:
    below about 1/s red cells aggregate and blood is far more viscous.

    Examples
    --------
    >>> round(float(relative_viscosity(0.45)), 4)
    3.2
    """
    h = np.asarray(haematocrit, dtype=np.float64)
    if not np.all((h >= 0.0) & (h < 1.0)):
        raise InputError("haematocrit", got=haematocrit, allowed="a fraction from 0 to below 1")
    if not tube_diameter > 0:
        raise InputError("tube_diameter", got=tube_diameter, allowed="a positive diameter [m], or infinity")
    if math.isinf(tube_diameter):
        at45, exponent = 3.2, -0.8
    else:
        d = tube_diameter * 1e6
        q = 1.0 / (1.0 + 1e-11 * d**12)
        at45 = 220.0 * math.exp(-1.3 * d) + 3.2 - 2.44 * math.exp(-0.06 * d**0.645)
        exponent = (0.8 + math.exp(-0.075 * d)) * (q - 1.0) + q
    return np.asarray(1.0 + (at45 - 1.0) * ((1.0 - h) ** exponent - 1.0) / (0.55**exponent - 1.0))


def blood_viscosity(haematocrit: ArrayLike, plasma: float = PLASMA_VISCOSITY) -> Floats:
    """Viscosity of bulk liquid blood at high shear rate.

    Parameters
    ----------
    haematocrit : array_like
        Volume fraction of red cells, 0 to below 1 [-].
    plasma : float
        Viscosity of the plasma [Pa·s].

    Returns
    -------
    ndarray
        [Pa·s].

    Examples
    --------
    >>> round(float(blood_viscosity(0.45)), 6)
    0.00384
    """
    if not (math.isfinite(plasma) and plasma > 0):
        raise InputError("plasma", got=plasma, allowed="a positive finite viscosity [Pa·s]")
    return np.asarray(plasma * relative_viscosity(haematocrit))
