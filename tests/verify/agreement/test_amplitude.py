"""Pin amplitudes become moduli before anything is compared."""

from __future__ import annotations

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.mechanics.pin import HALF_SCALE_MODULUS, modulus_from_amplitude
from stanch.verify.agreement import amplitude_to_modulus, subtracted
from stanch.verify.agreement.amplitude import PIN_CONSTANT


def test_one_conversion_in_the_whole_package() -> None:
    a = np.linspace(0.0, 99.9, 200)
    assert PIN_CONSTANT == HALF_SCALE_MODULUS
    assert np.array_equal(amplitude_to_modulus(a, constant=480.0), modulus_from_amplitude(a, 480.0))
    assert np.array_equal(amplitude_to_modulus(a, convert=modulus_from_amplitude), modulus_from_amplitude(a))


def test_sixty_less_twenty_is_five_sixths() -> None:
    found = subtracted(60.0, 20.0)
    assert (found.whole_modulus, found.rest_modulus) == (750.0, 125.0)
    assert found.share_amplitude == pytest.approx(2 / 3)
    assert found.share_modulus == pytest.approx(5 / 6)


def test_the_constant_cancels_in_a_share() -> None:
    assert subtracted(60.0, 20.0, constant=123.0).share_modulus == pytest.approx(5 / 6)


@pytest.mark.parametrize("bad", [-1.0, 100.0, 750.0])
def test_what_is_no_amplitude_is_refused(bad: float) -> None:
    with pytest.raises(InputError, match="value 2"):
        amplitude_to_modulus([50.0, bad])


def test_a_conversion_without_finite_moduli_is_refused() -> None:
    with pytest.raises(InputError, match="converted"):
        amplitude_to_modulus([50.0], convert=lambda a: a * np.inf)
    with pytest.raises(InputError, match="pin constant"):
        amplitude_to_modulus([50.0], constant=0.0)
    with pytest.raises(InputError, match="whole clot"):
        subtracted(0.0, 0.0)
