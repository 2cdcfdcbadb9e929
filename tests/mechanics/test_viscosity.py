"""Viscosity of liquid blood."""

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.mechanics.viscosity import blood_viscosity, relative_viscosity


def test_it_grows_with_haematocrit():
    assert np.all(np.diff(relative_viscosity(np.linspace(0.0, 0.7, 15))) > 0)


@pytest.mark.parametrize("bad", [-0.1, 1.0, 45.0, np.nan])
def test_a_haematocrit_is_a_fraction(bad):
    with pytest.raises(InputError, match="haematocrit"):
        relative_viscosity(bad)


def test_other_bad_input_is_named():
    with pytest.raises(InputError, match="tube_diameter"):
        relative_viscosity(0.4, 0.0)
    with pytest.raises(InputError, match="plasma"):
        blood_viscosity(0.4, -1.0)
