"""Growth and decline of the modulus of a virtual clot in closed form: a course without blood behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.virtual.material import Material

__all__ = ["Growth"]

Floats = NDArray[np.float64]

VISCOSITY_MODULUS = 1000.0
"""Modulus at which `set_viscosity` holds [Pa]."""
_WATER = 0.001  # viscosity of the diluent [Pa·s]
_RAMP = 180.0  # time over which lysis and retraction reach their rate [s]


@dataclass(frozen=True)
class Growth:
    """Two-process growth, then lysis and retraction; a :class:`~stanch.virtual.course.Course` of a Kelvin-Voigt sample.

    Two first-order processes describe the growth of clot moduli (Fukada and Kaibara type, Biorheology 1973,
    DOI 10.3233/BIR-1973-10109, abstract seen). Each is squared here so that the modulus leaves zero without a kink.

    Parameters
    ----------
    start : float
        Start of gelation since activation [s]; infinite for a sample that never clots.
    network_modulus, network_time : float
        Ceiling [Pa] and time constant [s] of the first process.
    stiffening_modulus, stiffening_time, stiffening_delay : float
        Ceiling [Pa], time constant [s] and delay after `start` [s] of the second.
    lysis_rate, lysis_start : float
        Loss rate [1/s] and its beginning after `start` [s].
    retraction_rate, retraction_start : float
        The same for a loss that an antifibrinolytic does not stop [1/s], [s].
    retraction_speed : float
        Movement of the sample towards the base at the focus while it retracts [m/s].
    liquid_viscosity : float
        [Pa·s].
    set_viscosity : float
        What the clot adds at 1 kPa [Pa·s]; it grows with the square root of the modulus.
    """

    start: float
    network_modulus: float
    network_time: float
    stiffening_modulus: float = 0.0
    stiffening_time: float = 300.0
    stiffening_delay: float = 0.0
    lysis_rate: float = 0.0
    lysis_start: float = 0.0
    retraction_rate: float = 0.0
    retraction_start: float = 0.0
    retraction_speed: float = 0.0
    liquid_viscosity: float = 0.004
    set_viscosity: float = 0.2

    def _age(self, time: ArrayLike) -> Floats:
        t = np.asarray(time, dtype=float)
        return np.zeros_like(t) if np.isinf(self.start) else np.maximum(t - self.start, 0.0)

    def progress(self, time: ArrayLike) -> Floats:
        """How far the first process has come, 0 to 1; it does not fall when the clot is lysed.

        Parameters
        ----------
        time : array_like
            Since activation [s].

        Returns
        -------
        ndarray
            [-].
        """
        return _process(self._age(time), self.network_time)

    def kept(self, time: ArrayLike) -> Floats:
        """Share of the modulus that lysis has left.

        Returns
        -------
        ndarray
            [-].
        """
        return np.exp(-_loss(self._age(time), self.lysis_start, self.lysis_rate))

    def retracted(self, time: ArrayLike) -> Floats:
        """Share of the modulus that retraction has left.

        Returns
        -------
        ndarray
            [-].
        """
        return np.exp(-_loss(self._age(time), self.retraction_start, self.retraction_rate))

    def modulus(self, time: ArrayLike) -> Floats:
        """Shear modulus.

        Parameters
        ----------
        time : array_like
            Since activation [s].

        Returns
        -------
        ndarray
            [Pa].

        Examples
        --------
        >>> float(Growth(60.0, 100.0, 120.0).modulus(60.0))
        0.0
        """
        age = self._age(time)
        grown = self.network_modulus * _process(age, self.network_time)
        grown = grown + self.stiffening_modulus * _process(age - self.stiffening_delay, self.stiffening_time)
        out: Floats = grown * self.kept(time) * self.retracted(time)
        return out

    def viscosity(self, time: ArrayLike) -> Floats:
        """Kelvin-Voigt viscosity.

        Returns
        -------
        ndarray
            [Pa·s].
        """
        out: Floats = self.liquid_viscosity + self.set_viscosity * np.sqrt(self.modulus(time) / VISCOSITY_MODULUS)
        return out

    def material(self, time: float) -> Material:
        """The Kelvin-Voigt material at a time [s]."""
        return Material(float(self.modulus(time)), viscosity=float(self.viscosity(time)))

    def shift(self, time: ArrayLike) -> Floats:
        """How far the sample at the focus has sunk towards the base by retraction.

        Returns
        -------
        ndarray
            [m].
        """
        if self.retraction_speed == 0.0:
            return np.zeros_like(np.asarray(time, dtype=float))
        return _loss(self._age(time), self.retraction_start, self.retraction_speed)

    def detached(self, time: float) -> float | None:
        """Step where it has let go of the wall [m]: None, growth in closed form holds; a fault can loosen it."""
        return None

    def diluted(self, share: float) -> Growth:
        """The growth of a sample of which only a share [-] is there: moduli fall with the square of it."""
        return replace(
            self,
            network_modulus=self.network_modulus * share**2,
            stiffening_modulus=self.stiffening_modulus * share**2,
            liquid_viscosity=_WATER + (self.liquid_viscosity - _WATER) * share,
        )


def _process(age: Floats, constant: float) -> Floats:
    return (1.0 - np.exp(-np.maximum(age, 0.0) / constant)) ** 2


def _loss(age: Floats, start: float, rate: float) -> Floats:
    since = np.maximum(age - start, 0.0)
    return rate * (since - _RAMP * (1.0 - np.exp(-since / _RAMP)))
