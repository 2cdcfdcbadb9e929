"""Linear viscoelastic materials of a virtual sample, as one relaxance in the Laplace variable."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["Material"]


@dataclass(frozen=True)
class Material:
    """A spring, a dashpot, a spring-pot and a relaxing branch in parallel.

    ``G(s) = equilibrium + viscosity s + pot s^order + branch s relaxation/(1 + s relaxation)``. A Kelvin-Voigt sample
    has the first two, a spring-pot only the third, a fractional Kelvin-Voigt sample the first and third, a Zener sample
    the first and fourth.

    Parameters
    ----------
    equilibrium : float
        Spring [Pa].
    viscosity : float
        Dashpot [Pa·s].
    pot : float
        Spring-pot, the size of its modulus at 1 rad/s [Pa·s^order].
    order : float
        Its exponent, between 0 (a spring) and 1 (a dashpot) [-].
    branch : float
        What relaxes [Pa].
    relaxation : float
        Time in which it does [s].

    Examples
    --------
    >>> Material(100.0, viscosity=0.5).storage(50.0)
    100.0
    """

    equilibrium: float
    viscosity: float = 0.0
    pot: float = 0.0
    order: float = 0.5
    branch: float = 0.0
    relaxation: float = 1e-3

    def __post_init__(self) -> None:
        for name in ("equilibrium", "viscosity", "pot", "branch"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise InputError(name, got=value, allowed="a finite number, 0 or above")
        if not 0 < self.order < 1:
            raise InputError("order", got=self.order, allowed="between 0 and 1, ends excluded")
        if not (math.isfinite(self.relaxation) and self.relaxation > 0):
            raise InputError("relaxation", got=self.relaxation, allowed="a finite time above 0")

    @property
    def kelvin_voigt(self) -> bool:
        """Whether only spring and dashpot are there."""
        return self.pot == 0.0 and self.branch == 0.0

    def relaxance(self, s: ArrayLike) -> NDArray[np.complex128]:
        """G at the complex Laplace variable s, principal branch.

        Parameters
        ----------
        s : array_like of complex
            [1/s].

        Returns
        -------
        ndarray of complex
            [Pa].
        """
        z = np.asarray(s, dtype=complex)
        out: NDArray[Any] = self.equilibrium + self.viscosity * z
        if self.pot:
            out = out + self.pot * z**self.order
        if self.branch:
            x = z * self.relaxation
            out = out + self.branch * x / (1 + x)
        return out

    def _at(self, frequency: float) -> complex:
        return complex(self.relaxance(2j * math.pi * frequency))

    def storage(self, frequency: float) -> float:
        """G' at a frequency [Hz] in [Pa]."""
        return self._at(frequency).real

    def loss(self, frequency: float) -> float:
        """G'' at a frequency [Hz] in [Pa]."""
        return self._at(frequency).imag

    def loss_tangent(self, frequency: float) -> float:
        """G''/G' at a frequency [Hz]; infinite in a liquid [-]."""
        g = self._at(frequency)
        return g.imag / g.real if g.real > 0 else math.inf
