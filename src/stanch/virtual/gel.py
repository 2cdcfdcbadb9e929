"""A gel that was set long ago: a course that does not change."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.virtual.material import Material

__all__ = ["Gel"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Gel:
    """A :class:`~stanch.virtual.course.Course` of one linear material.

    Parameters
    ----------
    substance : Material
        What it is made of.
    frequency : float
        At which its modulus and viscosity are stated [Hz].

    Examples
    --------
    >>> float(Gel(Material(250.0, viscosity=0.08)).modulus(60.0))
    250.0
    """

    substance: Material
    frequency: float = 100.0

    @property
    def start(self) -> float:
        """Long before activation [s]."""
        return -1e9

    def material(self, time: float) -> Material:
        """The same at every time [s]."""
        return self.substance

    def modulus(self, time: ArrayLike) -> Floats:
        """Storage modulus at `frequency` [Pa], at every time [s]."""
        return np.full(np.shape(time), self.substance.storage(self.frequency))

    def viscosity(self, time: ArrayLike) -> Floats:
        """Loss modulus at `frequency` over angular frequency [Pa·s], at every time [s]."""
        return np.full(np.shape(time), self.substance.loss(self.frequency) / (2 * math.pi * self.frequency))

    def progress(self, time: ArrayLike) -> Floats:
        """1: the network has formed [-]."""
        return np.ones(np.shape(time))

    def kept(self, time: ArrayLike) -> Floats:
        """1: nothing is lysed [-]."""
        return np.ones(np.shape(time))

    def shift(self, time: ArrayLike) -> Floats:
        """0: nothing retracts [m]."""
        return np.zeros(np.shape(time))

    def detached(self, time: float) -> float | None:
        """None: it holds to the wall; a fault can loosen it [m]."""
        return None

    def diluted(self, share: float) -> Gel:
        """The gel of which only a share [-] is there: every modulus falls with the square of it."""
        m = self.substance
        factor = share**2
        thinner = replace(
            m,
            equilibrium=m.equilibrium * factor,
            viscosity=m.viscosity * factor,
            pot=m.pot * factor,
            branch=m.branch * factor,
        )
        return replace(self, substance=thinner)
