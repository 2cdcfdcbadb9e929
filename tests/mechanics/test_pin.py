"""Pin amplitude and modulus."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.mechanics.pin import (
    amplitude_from_modulus,
    amplitude_uncertainty,
    modulus_from_amplitude,
    modulus_relative_uncertainty,
)


@given(st.floats(0.0, 99.9), st.floats(10.0, 5000.0))
@settings(derandomize=True, max_examples=200)
def test_there_and_back(amplitude, half_scale):
    back = amplitude_from_modulus(modulus_from_amplitude(amplitude, half_scale), half_scale)
    assert float(back) == pytest.approx(amplitude, rel=1e-12, abs=1e-12)


def test_uncertainty_is_that_of_many_draws():
    rng = np.random.default_rng(3)
    a = 40.0 + 0.5 * rng.standard_normal(200_000)
    half = 500.0 * (1.0 + 0.05 * rng.standard_normal(a.size))
    g = half * a / (100.0 - a)
    assert float(modulus_relative_uncertainty(40.0, 0.5, 0.05)) == pytest.approx(g.std() / g.mean(), rel=0.01)
    modulus = 300.0 * (1.0 + 0.03 * rng.standard_normal(a.size))
    amplitude = 100.0 * modulus / (half + modulus)
    assert float(amplitude_uncertainty(300.0, 0.03, 500.0, 0.05)) == pytest.approx(amplitude.std(), rel=0.01)


@pytest.mark.parametrize("bad", [-1.0, 100.0, np.nan])
def test_amplitudes_off_the_scale_are_refused(bad):
    with pytest.raises(InputError, match="0 to below 100"):
        modulus_from_amplitude([50.0, bad])


def test_other_bad_input_is_named():
    with pytest.raises(InputError, match="above 0"):
        modulus_relative_uncertainty(0.0, 1.0)
    with pytest.raises(InputError, match="modulus"):
        amplitude_from_modulus(-1.0)
    with pytest.raises(InputError, match="half_scale"):
        amplitude_from_modulus(1.0, 0.0)
