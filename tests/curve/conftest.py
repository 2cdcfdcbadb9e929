"""Wells with a known curve."""

import numpy as np
import pytest

from stanch.mechanics.records import LOG_OFFSET, Moduli


def _moduli(time, log_modulus, covariance, *, usable=None, viscosity=None):
    value, none = np.exp(log_modulus) - LOG_OFFSET, np.zeros(time.size)
    nan = np.full(time.size, np.nan)
    eta = nan if viscosity is None else viscosity
    return Moduli(
        push_time=time,
        modulus=value,
        modulus_low=none,
        modulus_high=none,
        viscosity=eta,
        viscosity_low=0.8 * eta,
        viscosity_high=1.25 * eta,
        force=none,
        force_sd=none,
        log_modulus=log_modulus,
        covariance=covariance,
        speckle=none,
        speckle_sd=none,
        strain=none,
        reduced_chi2=none,
        zero_rejected=value > 2.0,
        usable=np.ones(time.size, dtype=bool) if usable is None else usable,
        flags=np.zeros(time.size, dtype=np.int64),
        fitted=None,
    )


def _clotting(time, top=400.0, middle=900.0, width=60.0):
    return top / (1.0 + np.exp(-(time - middle) / width))


@pytest.fixture
def well():
    """An hour of 300 pushes of 1 %, with speckle that all of them share."""
    rng = np.random.default_rng(5)
    time = 12.0 * np.arange(1, 301)
    true = np.log(_clotting(time) + LOG_OFFSET)
    covariance = np.diag(np.full(300, 0.01**2)) + 0.004**2
    noise = np.linalg.cholesky(covariance) @ rng.standard_normal(300)
    return _moduli(time, true + noise, covariance, viscosity=0.05 * np.exp(0.1 * rng.standard_normal(300)))


@pytest.fixture(scope="session")
def make_moduli():
    """Moduli that carry only what the curve uses."""
    return _moduli


@pytest.fixture(scope="session")
def clotting():
    """A logistic clot."""
    return _clotting
