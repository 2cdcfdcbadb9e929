"""A small prior of simple growth functions, with margins set by hand."""

import math

import numpy as np
import pytest

from stanch.readings.definitions import Definitions
from stanch.readings.forecast.forecast import margin_key
from stanch.readings.forecast.library import compress, library_grid
from stanch.readings.forecast.phase import PHASES
from stanch.readings.forecast.records import FORECAST_KEYS, KineticPrior, Margin, Origin

DEFINITIONS = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)
RUN = 3600.0


def grown(top, start, slow, loss=0.0):
    """Growth to `top` [Pa] from `start` [s], with a loss rate [1/s] that begins ten minutes later."""
    return lambda t: (
        top
        * (1.0 - np.exp(-np.maximum(t - start, 0.0) / slow)) ** 2
        * np.exp(-loss * np.maximum(t - start - 600.0, 0.0))
    )


def people(count, seed):
    """Pairs of wells of invented samples: without and with the antifibrinolytic."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        top, start = math.exp(rng.normal(6.0, 0.5)), rng.uniform(60.0, 300.0)
        slow, loss = rng.uniform(200.0, 500.0), rng.choice([0.0, 1.0]) * rng.uniform(2e-5, 3e-4)
        found.append({"without": grown(top, start, slow, loss), "under": grown(top, start, slow)})
    return found


@pytest.fixture(scope="session")
def definitions():
    return DEFINITIONS


@pytest.fixture(scope="session")
def growing():
    return grown


@pytest.fixture(scope="session")
def samples():
    return people


@pytest.fixture(scope="session")
def prior():
    grid, time = library_grid(RUN), np.linspace(0.0, RUN, 1801)
    found = people(60, 1)
    library = {
        name: np.stack([compress(time, one[name](time), grid) for one in found]) for name in ("without", "under")
    }
    margins = {margin_key(key, "", phase): Margin(1.0, 1.0, 3.0, 9.0, 100) for key in FORECAST_KEYS for phase in PHASES}
    origin = Origin("virtual population", "60 simple growth functions", "test")
    return KineticPrior(origin, DEFINITIONS, RUN, grid, library, margins, (("without", "under"),))
