"""Displacement with known truth, drawn from the record's own noise model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from stanch.echo.records import Displacement
from stanch.mechanics.one_dimensional import zero_flux_table
from stanch.mechanics.records import SpectralTable
from stanch.mechanics.response import trace
from stanch.recording.records import Acquisition, Geometry

GEOMETRY = Geometry(3e-3, 8e-3, 4e-3, 0.45e-3, 2.2e-3, 0.19e-3)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -1e-3)
DEPTH = np.linspace(-0.5e-3, 0.5e-3, 3)


@dataclass(frozen=True)
class Bench:
    """A table, a force with a peak of 8 um at 100 Pa, and a way to make pushes."""

    table: SpectralTable
    geometry: Geometry
    acquisition: Acquisition
    frame_time: np.ndarray
    force: float

    @staticmethod
    def viscosity(modulus):
        return 0.005 + 0.0006 * np.maximum(modulus, 0.0) ** 0.75

    def trace(self, modulus, viscosity=None, order=0, time=None):
        eta = self.viscosity(modulus) if viscosity is None else viscosity
        t = self.frame_time if time is None else time
        return trace(self.table, modulus, eta, self.force, self.acquisition, t, order=order)

    def displacement(self, value, sd, *, shared=0.0, step=0.0, cells=np.inf, link=None, weight=None, time=None):
        value = np.atleast_2d(value)
        pushes = value.shape[0]
        ones = np.ones(pushes)
        return Displacement(
            push_time=6.0 * np.arange(pushes),
            frame_time=self.frame_time if time is None else time,
            value=value,
            sd=np.full(value.shape, sd),
            step_sd=np.full(value.shape, step),
            shared_sd=shared * ones,
            weight=np.ones(value.shape) if weight is None else weight,
            depth=DEPTH,
            sensitivity=np.tile([0.25, 0.5, 0.25], (pushes, 1)),
            speckle_cells=cells * ones,
            coherence=ones,
            link=link,
            slow_shift=0 * ones,
            slow_coherence=0 * ones,
            zone_coherence=np.zeros((pushes, 4)),
            energy=np.zeros((pushes, 3)),
            energy_depth=DEPTH,
            flags=np.zeros(pushes, dtype=np.int64),
            estimator="drawn",
        )

    def draw(self, rng, modulus, pushes, sd, *, delta=0.0, fixed=True):
        """Traces with noise of a fixed reference averaged over two lines, or of a chain of references."""
        clean = self.trace(modulus) + np.multiply.outer(np.broadcast_to(delta, pushes), self.trace(modulus, order=1))
        noise = rng.normal(0.0, sd, clean.shape)
        if not fixed:
            return clean + np.cumsum(noise, axis=1)
        return clean + noise + rng.normal(0.0, sd / np.sqrt(2.0), (pushes, 1))


@pytest.fixture(scope="session")
def bench() -> Bench:
    table = zero_flux_table(GEOMETRY, depth=DEPTH, rows=30)
    time = 1.25e-4 * np.arange(1, 65)
    force = 8e-6 / trace(table, 100.0, Bench.viscosity(100.0), 1.0, ACQUISITION, time).max()
    return Bench(table, GEOMETRY, ACQUISITION, time, force)
