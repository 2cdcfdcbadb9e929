"""Linear viscoelastic models: the modulus in the Laplace variable, at a frequency, and the damping of a mode.

| model | G(s) |
|---|---|
| kelvin_voigt | modulus + viscosity s |
| spring_pot | pot s^order |
| fractional_kelvin_voigt | modulus + pot s^order |
| zener | modulus + branch s relaxation/(1 + s relaxation) |

The search runs in logarithms: ln(modulus + 10 Pa), ln viscosity, ln of the spring-pot's modulus ``pot omega^order`` at
the stated angular frequency (pot alone has a unit that changes with the order and varies together with it), ln order,
ln branch, ln relaxation. An order above 1 stands to a liquid as a negative modulus does: an estimate may fall there,
and its storage modulus is then below zero.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET
from stanch.mechanics.rheology.records import MODELS

__all__ = [
    "PARAMETERS",
    "damping_ratio",
    "from_search",
    "log_jacobian",
    "modulus_gradient",
    "modulus_of_search",
    "relaxance",
    "to_search",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

PARAMETERS: dict[str, tuple[str, ...]] = {
    "kelvin_voigt": ("modulus", "viscosity"),
    "spring_pot": ("pot", "order"),
    "fractional_kelvin_voigt": ("modulus", "pot", "order"),
    "zener": ("modulus", "branch", "relaxation"),
}
"""Names of every model's parameters, in their order: moduli and branch [Pa], viscosity [Pa·s], pot [Pa·s^order], order
[-], relaxation [s]."""

MOST_ORDER = {"spring_pot": 1.5, "fractional_kelvin_voigt": 1.0}
"""Highest order for which the response is worked out: a spring-pot's estimate may pass 1 in a liquid."""


def _checked(model: str) -> tuple[str, ...]:
    if model not in PARAMETERS:
        raise InputError("rheology model", got=model, allowed=", ".join(MODELS))
    return PARAMETERS[model]


def _angular(frequency: float) -> float:
    if not (math.isfinite(frequency) and frequency > 0):
        raise InputError("frequency", got=frequency, allowed="a positive finite frequency [Hz]")
    return 2.0 * math.pi * frequency


def to_search(model: str, parameters: Mapping[str, ArrayLike], frequency: float) -> Floats:
    """Parameters in SI units to those of the search.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : mapping of str to array_like, shape (...)
        By name, as in :data:`PARAMETERS`.
    frequency : float
        At which a spring-pot's modulus is stated [Hz].

    Returns
    -------
    ndarray, shape (..., parameter)
        [-].

    Raises
    ------
    InputError
        If a parameter is missing, not finite or outside its range.
    """
    names, omega = _checked(model), _angular(frequency)
    columns = []
    for name in names:
        if name not in parameters:
            raise InputError(f"parameters of {model}", got=sorted(parameters), allowed=", ".join(names))
        value = np.asarray(parameters[name], dtype=float)
        low = -LOG_OFFSET if name == "modulus" else 0.0
        if not np.all(np.isfinite(value) & (value > low)):
            raise InputError(name, got=parameters[name], allowed=f"finite, above {low:g}")
        if name == "order" and np.any(value > MOST_ORDER[model]):
            raise InputError(name, got=parameters[name], allowed=f"at most {MOST_ORDER[model]:g} in {model}")
        columns.append(np.log(value - low))
    columns = list(np.broadcast_arrays(*columns))
    if "pot" in names:
        at = names.index("pot")
        columns[at] = columns[at] + np.exp(columns[at + 1]) * math.log(omega)
    return np.stack(columns, axis=-1)


def from_search(model: str, x: ArrayLike, frequency: float) -> dict[str, Floats]:
    """The inverse of :func:`to_search`.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    x : array_like, shape (..., parameter)
        [-].
    frequency : float
        [Hz].

    Returns
    -------
    dict of str to ndarray, shape (...)
        In SI units.
    """
    names, omega = _checked(model), _angular(frequency)
    values = np.exp(np.asarray(x, dtype=float))
    out = {name: np.asarray(values[..., i]) for i, name in enumerate(names)}
    if "modulus" in out:
        out["modulus"] = out["modulus"] - LOG_OFFSET
    if "pot" in out:
        out["pot"] = out["pot"] * omega ** -out["order"]
    return out


def log_jacobian(model: str, x: ArrayLike, frequency: float) -> Floats:
    """Derivatives of the logarithms of the parameters with respect to those of the search.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    x : array_like, shape (..., parameter)
        [-].
    frequency : float
        [Hz].

    Returns
    -------
    ndarray, shape (..., parameter, parameter)
        The identity but for a spring-pot; the modulus counts as ln(modulus + 10 Pa) [-].
    """
    names, omega = _checked(model), _angular(frequency)
    x = np.asarray(x, dtype=float)
    matrix = np.zeros((*x.shape[:-1], len(names), len(names)))
    matrix[..., range(len(names)), range(len(names))] = 1.0
    if "pot" in names:
        at = names.index("pot")
        matrix[..., at, at + 1] = -np.exp(x[..., at + 1]) * math.log(omega)
    return matrix


def modulus_of_search(model: str, x: ArrayLike, frequency: float, at: ArrayLike) -> tuple[Complex, Complex]:
    """Modulus at complex Laplace variables and its derivatives in the parameters of the search.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    x : array_like, shape (..., parameter)
        [-].
    frequency : float
        At which a spring-pot's modulus is stated [Hz].
    at : array_like of complex, shape (...)
        Laplace variable s, broadcast against `x` without its last axis [1/s].

    Returns
    -------
    tuple of ndarray of complex, shapes (...) and (..., parameter)
        [Pa].
    """
    _checked(model)
    omega = _angular(frequency)
    x = np.asarray(x, dtype=float)
    s = np.asarray(at, dtype=complex)
    value = np.zeros(np.broadcast_shapes(x.shape[:-1], s.shape), dtype=complex)
    slope = np.zeros((*value.shape, x.shape[-1]), dtype=complex)
    if model != "spring_pot":
        spring = np.exp(x[..., 0])
        value += spring - LOG_OFFSET
        slope[..., 0] = spring
    if model == "kelvin_voigt":
        slope[..., 1] = np.exp(x[..., 1]) * s
        value += slope[..., 1]
    elif model == "zener":
        z = s * np.exp(x[..., 2])
        slope[..., 1] = np.exp(x[..., 1]) * z / (1.0 + z)
        slope[..., 2] = slope[..., 1] / (1.0 + z)
        value += slope[..., 1]
    else:
        first = 0 if model == "spring_pot" else 1
        order, log = np.exp(x[..., first + 1]), np.log(s / omega)
        slope[..., first] = np.exp(x[..., first] + order * log)
        slope[..., first + 1] = order * log * slope[..., first]
        value += slope[..., first]
    return value, slope


def relaxance(model: str, parameters: Mapping[str, ArrayLike], s: ArrayLike) -> Complex:
    """Modulus at the complex Laplace variable.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : mapping of str to array_like
        In SI units, by name.
    s : array_like of complex
        ``2 i pi f`` for a frequency f [1/s].

    Returns
    -------
    ndarray of complex
        G' + i G'' on the imaginary axis [Pa].

    Examples
    --------
    >>> complex(relaxance("kelvin_voigt", {"modulus": 100.0, "viscosity": 0.5}, 10j).round(9))
    (100+5j)
    """
    return modulus_of_search(model, to_search(model, parameters, 1.0), 1.0, s)[0]


def modulus_gradient(model: str, x: ArrayLike, frequency: float, at: float | None = None) -> tuple[Floats, Floats]:
    """Storage and loss modulus at a frequency with their derivatives in the parameters of the search.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    x : array_like, shape (..., parameter)
        [-].
    frequency : float
        At which a spring-pot's modulus is stated [Hz].
    at : float, optional
        Frequency at which the moduli are wanted, `frequency` if not given [Hz].

    Returns
    -------
    tuple of ndarray, shapes (..., 2) and (..., 2, parameter)
        G' and G'' [Pa].
    """
    value, slope = modulus_of_search(model, x, frequency, 1j * _angular(frequency if at is None else at))
    return np.stack([value.real, value.imag], axis=-1), np.stack([slope.real, slope.imag], axis=-2)


def damping_ratio(model: str, parameters: Mapping[str, float], eigenvalue: float, density: float) -> float:
    """Damping ratio of a mode of the well.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : mapping of str to float
        In SI units, by name.
    eigenvalue : float
        Of the mode [1/m^2].
    density : float
        [kg/m^3].

    Returns
    -------
    float
        ``viscosity sqrt(eigenvalue)/(2 sqrt(density modulus))`` for Kelvin-Voigt, above 1 where the mode creeps and
        infinite without a spring; for the other models ``-Re(p)/|p|`` of the pole at which the mode rings, 1 where it
        does not ring [-].
    """
    from stanch.mechanics.rheology import kernel

    if not (math.isfinite(eigenvalue) and eigenvalue > 0 and math.isfinite(density) and density > 0):
        raise InputError("eigenvalue or density", got=(eigenvalue, density), allowed="positive finite numbers")
    x = to_search(model, parameters, 1.0)
    if model == "kelvin_voigt":
        g = float(parameters["modulus"])
        return parameters["viscosity"] * math.sqrt(eigenvalue / (density * g)) / 2.0 if g > 0 else math.inf
    p = kernel.pole(kernel.KINDS[model], x, 2.0 * math.pi, eigenvalue / density)
    return float(-p.real / abs(p)) if p != 0.0 else 1.0
