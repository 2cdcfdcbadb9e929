"""What the virtual instrument needs to know of a sample: its material and its structure as functions of time."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.virtual.material import Material

__all__ = ["Course"]

Floats = NDArray[np.float64]


class Course(Protocol):
    """The course of one well's sample; times are since activation [s]."""

    @property
    def start(self) -> float:
        """Start of gelation since activation [s]; infinite for a sample that never clots."""
        ...

    def material(self, time: float) -> Material:
        """The linear material at a time [s]."""
        ...

    def modulus(self, time: ArrayLike) -> Floats:
        """Storage modulus at the course's stated frequency [Pa]; for a Kelvin-Voigt sample that of every frequency."""
        ...

    def viscosity(self, time: ArrayLike) -> Floats:
        """Loss modulus over angular frequency, at the same frequency [Pa·s]."""
        ...

    def progress(self, time: ArrayLike) -> Floats:
        """How far the network has formed, 0 to 1; it does not fall when the clot is lysed [-]."""
        ...

    def kept(self, time: ArrayLike) -> Floats:
        """Share of the structure that lysis has left [-]."""
        ...

    def shift(self, time: ArrayLike) -> Floats:
        """How far the sample at the focus has sunk towards the base by retraction [m]."""
        ...

    def detached(self, time: float) -> float | None:
        """Step of the sample where it has let go of the side wall [m]; None while it holds."""
        ...
