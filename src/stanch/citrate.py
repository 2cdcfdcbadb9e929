"""Citrate in a blood tube: how much of it there is in the plasma, and how much to fill in at high haematocrit."""

from __future__ import annotations

import math

from stanch.errors import InputError

__all__ = ["plasma_citrate", "tube_citrate"]


def plasma_citrate(haematocrit: float, solution: float = 109.0, blood_parts: float = 9.0) -> float:
    """Citrate concentration in the plasma of a tube filled with `blood_parts` of blood to one of citrate solution.

    Parameters
    ----------
    haematocrit : float
        Of the blood before citrate, volume fraction [-].
    solution : float
        Citrate in the solution, 109 for a 3.2 % one [mol/m^3].
    blood_parts : float
        Volume of blood to one of solution [-].

    Returns
    -------
    float
        Citrate per volume of plasma and solution, red cells left out [mol/m^3].

    Raises
    ------
    InputError
        If an input cannot be.
    """
    _check_haematocrit(haematocrit)
    for name, value in (("solution", solution), ("blood_parts", blood_parts)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, got=value, allowed="a positive finite number")
    return solution / (1.0 + blood_parts * (1.0 - haematocrit))


def tube_citrate(haematocrit: float, blood_volume: float) -> float:
    """Volume of 3.2 % citrate solution for blood of high haematocrit.

    Parameters
    ----------
    haematocrit : float
        Of the blood before citrate, volume fraction [-].
    blood_volume : float
        Of the blood, without the solution [m^3].

    Returns
    -------
    float
        Volume of solution [m^3].

    Raises
    ------
    InputError
        If an input cannot be.

    Notes
    -----
    C = 1.85e-3 (100 - Hct) V, a form of laboratory handbooks for tests of plasma; no guideline covers tests of whole
    blood. Some printed tables take V for the volume of the tube, which is 10/9 too much.
    """
    _check_haematocrit(haematocrit)
    if not (math.isfinite(blood_volume) and blood_volume > 0):
        raise InputError("blood_volume", got=blood_volume, allowed="a positive finite volume (m^3)")
    return 1.85e-3 * (100.0 - 100.0 * haematocrit) * blood_volume


def _check_haematocrit(value: float) -> None:
    if not 0.0 <= value < 1.0:
        raise InputError("haematocrit", got=value, allowed="a fraction from 0 to below 1")
