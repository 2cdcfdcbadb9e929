"""What is taken for granted about a medium before its frames are seen; proper, wide, and stated."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET
from stanch.mechanics.rheology.models import MOST_ORDER, PARAMETERS

__all__ = ["Priors"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Priors:
    """Log-normal priors: median and standard deviation of the natural logarithm.

    Chosen here to span liquid to set blood, no source; an SD of 2 holds 95 % within a factor of 50 of the median.
    They decide where the frames say nothing - which of two exchangeable parts of a model carries the modulus - and by
    how much a model is charged for freedom it does not use.

    Parameters
    ----------
    modulus : tuple of float
        Of the spring plus 10 Pa [Pa], [-].
    viscosity : tuple of float
        [Pa·s], [-].
    pot : tuple of float
        Of the spring-pot's modulus at the stated frequency [Pa], [-].
    order : tuple of float
        [-], [-].
    branch : tuple of float
        [Pa], [-].
    relaxation : tuple of float
        [s], [-].
    force : tuple of float
        Peak body force [N/m^3], [-].
    """

    modulus: tuple[float, float] = (100.0, 2.0)
    viscosity: tuple[float, float] = (0.05, 2.0)
    pot: tuple[float, float] = (50.0, 2.0)
    order: tuple[float, float] = (0.4, 0.8)
    branch: tuple[float, float] = (50.0, 2.0)
    relaxation: tuple[float, float] = (2e-3, 1.5)
    force: tuple[float, float] = (1e5, 2.0)

    def __post_init__(self) -> None:
        for name in (f.name for f in fields(self)):
            median, sd = getattr(self, name)
            if not (math.isfinite(median) and median > 0 and math.isfinite(sd) and sd > 0):
                raise InputError(f"prior of {name}", got=(median, sd), allowed="positive finite median and SD")

    def of(self, model: str) -> tuple[Floats, Floats]:
        """Means and standard deviations of the parameters of a model's search [-]."""
        pairs = [getattr(self, name) for name in PARAMETERS[model]]
        return np.log([p[0] for p in pairs]), np.array([p[1] for p in pairs])


RANGES: dict[str, tuple[float, float]] = {
    "modulus": (0.5, 2e5),
    "viscosity": (1e-5, 100.0),
    "pot": (1e-3, 2e5),
    "order": (1e-3, 2.0),
    "branch": (1e-3, 2e5),
    "relaxation": (1e-6, 10.0),
}
"""Where the search stays, the modulus as G + 10 Pa."""

GRIDS: dict[str, dict[str, Floats]] = {
    "kelvin_voigt": {
        "modulus": np.geomspace(LOG_OFFSET, 8010.0, 48),
        "viscosity": np.geomspace(0.002, 2.0, 16),
    },
    "spring_pot": {
        "pot": np.geomspace(0.5, 8000.0, 48),
        "order": np.linspace(0.03, 1.2, 16),
    },
    "fractional_kelvin_voigt": {
        "modulus": np.geomspace(LOG_OFFSET, 8010.0, 16),
        "pot": np.geomspace(0.5, 4000.0, 12),
        "order": np.linspace(0.1, 1.0, 7),
    },
    "zener": {
        "modulus": np.geomspace(LOG_OFFSET, 8010.0, 16),
        "branch": np.geomspace(0.5, 4000.0, 12),
        "relaxation": np.geomspace(1e-4, 3e-2, 7),
    },
}
"""Start grids, in the search's own parameters before the logarithm."""


def bounds(model: str) -> tuple[Floats, Floats]:
    """Where the search of a model stays, as logarithms."""
    pairs = [RANGES[name] for name in PARAMETERS[model]]
    low, high = (np.log([p[i] for p in pairs]) for i in (0, 1))
    if model in MOST_ORDER:
        high[PARAMETERS[model].index("order")] = math.log(MOST_ORDER[model])
    return low, high


def grid(model: str) -> tuple[Floats, NDArray[np.int64]]:
    """Start grid of a model, shape (cell, parameter), and the place of every cell in it."""
    axes = [GRIDS[model][name] for name in PARAMETERS[model]]
    place = np.stack(np.meshgrid(*[np.arange(a.size) for a in axes], indexing="ij"), axis=-1).reshape(-1, len(axes))
    values = np.stack([np.log(axis[place[:, i]]) for i, axis in enumerate(axes)], axis=1)
    return np.ascontiguousarray(values), np.ascontiguousarray(place)
