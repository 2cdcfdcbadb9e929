"""Courses drawn by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stanch.virtual.material import Material


@dataclass(frozen=True)
class Drawn:
    """Straight lines between points of time [s] and modulus [Pa]; viscosity [Pa·s] is constant."""

    time: tuple[float, ...]
    height: tuple[float, ...]
    stir: float = 0.05
    start: float = math.inf

    def material(self, time):
        return Material(float(self.modulus(time)), viscosity=self.stir)

    def modulus(self, time):
        return np.interp(np.asarray(time, dtype=float), self.time, self.height)

    def viscosity(self, time):
        return np.full_like(np.asarray(time, dtype=float), self.stir)

    def progress(self, time):
        return np.zeros_like(np.asarray(time, dtype=float))

    def kept(self, time):
        return np.ones_like(np.asarray(time, dtype=float))

    def shift(self, time):
        return np.zeros_like(np.asarray(time, dtype=float))

    def detached(self, time):
        return None
