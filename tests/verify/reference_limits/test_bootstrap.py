import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.reference_limits import bootstrap_limits


def test_it_agrees_with_samples_that_are_really_drawn() -> None:
    x = np.random.default_rng(1).lognormal(0, 0.6, 150)
    found = bootstrap_limits(x, draws=20_000, seed=2)
    rng = np.random.default_rng(3)
    drawn = np.quantile(x[rng.integers(0, 150, (20_000, 150))], [0.025, 0.975], axis=1, method="weibull")
    for limit, own in ((found.lower, drawn[0]), (found.upper, drawn[1])):
        assert limit is not None
        spread = own.std() / np.sqrt(own.size)
        assert limit.value == pytest.approx(own.mean(), abs=6 * spread)
        assert (limit.low, limit.high) == pytest.approx(
            tuple(np.quantile(own, [0.05, 0.95])), abs=0.05 * own.std() + 0.02
        )


def test_a_constant_stays_one() -> None:
    found = bootstrap_limits([3.0] * 10)
    assert found.lower is not None
    assert (found.lower.value, found.lower.low, found.lower.high) == (3, 3, 3)


def test_bounds_hide_what_samples_reach() -> None:
    x = np.arange(1.0, 201.0)
    found = bootstrap_limits(x, below=x <= 1)
    assert found.lower is not None
    assert found.lower.value is None
    assert found.upper is not None
    assert found.upper.value == pytest.approx(196, abs=2)


def test_draws_are_needed() -> None:
    with pytest.raises(InputError, match="bootstrap samples"):
        bootstrap_limits([1.0, 2.0, 3.0], draws=0)


def test_a_million_values_cost_no_more_than_one_sort() -> None:
    found = bootstrap_limits(np.random.default_rng(1).normal(size=1_000_000))
    assert found.upper is not None
    assert found.upper.low < found.upper.value < found.upper.high
    assert found.upper.value == pytest.approx(1.96, abs=0.01)
