"""Curves made by hand, and curves from drawn pushes."""

import numpy as np
import pytest

from stanch.curve.records import Curve
from stanch.mechanics.records import LOG_OFFSET, Moduli
from stanch.recording.records import Additive, Well


def _exact(function, *, end=3600.0, paths=40, spread=0.0, seed=0, step=2.0):
    """A curve whose paths are the function itself, each scaled by a factor of its own."""
    time = np.linspace(0.0, end, round(end / step) + 1)
    factor = np.exp(spread * np.random.default_rng(seed).standard_normal((paths, 1)))
    g = np.asarray(function(time), dtype=float)
    return Curve(
        time=time,
        modulus=g,
        low=g * np.exp(-1.96 * spread),
        high=g * np.exp(1.96 * spread),
        paths=factor * g,
        viscosity=None,
        viscosity_low=None,
        viscosity_high=None,
        push_time=time,
        seed=seed,
        settings={},
    )


def _draw(function, *, end=3600.0, interval=15.0, sd=0.01, seed=0):
    rng = np.random.default_rng(seed)
    time = np.arange(interval, end + 1e-9, interval)
    y = np.log(np.maximum(function(time), 0.0) + LOG_OFFSET) + sd * rng.standard_normal(time.size)
    value, none = np.exp(y) - LOG_OFFSET, np.zeros(time.size)
    nan = np.full(time.size, np.nan)
    return Moduli(
        push_time=time,
        modulus=value,
        modulus_low=none,
        modulus_high=none,
        viscosity=nan,
        viscosity_low=nan,
        viscosity_high=nan,
        force=none,
        force_sd=none,
        log_modulus=y,
        covariance=np.diag(np.full(time.size, sd**2)),
        speckle=none,
        speckle_sd=none,
        strain=none,
        reduced_chi2=none,
        zero_rejected=value > 2.0,
        usable=np.ones(time.size, dtype=bool),
        flags=np.zeros(time.size, dtype=np.int64),
        fitted=None,
    )


def _clot(top=400.0, middle=900.0, width=60.0):
    return lambda t: top / (1.0 + np.exp(-(t - middle) / width))


def _well(name, *additives, **facts):
    return Well(name, facts.pop("activator", "tissue factor"), tuple(Additive(a) for a in additives), **facts)


@pytest.fixture(scope="session")
def exact():
    return _exact


@pytest.fixture(scope="session")
def draw():
    return _draw


@pytest.fixture(scope="session")
def clot():
    return _clot


@pytest.fixture(scope="session")
def well():
    return _well
