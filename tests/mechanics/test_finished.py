import numpy as np
import pytest

from stanch.errors import InputError
from stanch.mechanics.finished import from_modulus, scatter


def test_scatter_recovers_a_known_standard_deviation_on_a_curve_with_uneven_times() -> None:
    rng = np.random.default_rng(4)
    time = np.cumsum(rng.uniform(3.0, 9.0, 2000))
    y = 5 + np.tanh((time - 3000) / 2000) + 0.02 * rng.standard_normal(time.size)
    assert np.median(scatter(time, y)) == pytest.approx(0.02, rel=0.05)


def test_given_standard_deviations_become_the_diagonal_of_the_covariance() -> None:
    moduli = from_modulus([0.0, 1.0, 2.0], [0.0, 90.0, 990.0], modulus_sd=[1.0, 10.0, 10.0])
    assert np.allclose(np.diag(moduli.covariance), [0.01, 0.01, 0.0001])
    assert moduli.zero_rejected.tolist() == [False, True, True]
    assert moduli.modulus_low[0] == 0.0


def test_impossible_values_are_refused_by_name_and_value() -> None:
    with pytest.raises(InputError, match=r"modulus; got -12\.0; allowed: above -10 Pa"):
        from_modulus([0.0, 1.0], [1.0, -12.0], modulus_sd=[1.0, 1.0])
    with pytest.raises(InputError, match="5 or more"):
        from_modulus([0.0, 1.0], [1.0, 2.0])
