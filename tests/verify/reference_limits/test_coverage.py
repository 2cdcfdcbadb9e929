"""A reduced version of ``benchmarks/verification_coverage_limits.py``, with exact binomial limits."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import special, stats

from stanch.verify.records import Bounded
from stanch.verify.reference_limits import (
    ReferenceLimits,
    bootstrap_limits,
    box_cox_limits,
    nonparametric_limits,
    normal_limits,
    rank_interval,
    robust_limits,
)

RUNS = 400
POPULATION = stats.lognorm(0.5, scale=10.0)


def holds(number: Bounded | None, truth: float) -> bool:
    assert number is not None
    return number.low is not None and number.high is not None and number.low <= truth <= number.high


def hits(made: Callable[[np.ndarray], ReferenceLimits], n: int) -> list[int]:
    rng = np.random.default_rng(n)
    truth = POPULATION.ppf([0.025, 0.975])
    found = [made(POPULATION.rvs(n, random_state=rng)) for _ in range(RUNS)]
    return [sum(holds(f.lower, truth[0]) for f in found), sum(holds(f.upper, truth[1]) for f in found)]


@pytest.mark.slow
def test_ranks_cover_as_often_as_the_binomial_distribution_says() -> None:
    for count, p in zip(hits(nonparametric_limits, 120), (0.025, 0.975)):
        low, high = rank_interval(120, p)
        assert low is not None
        assert high is not None
        exact = float(special.bdtr(high - 1.0, 120, p) - special.bdtr(low - 1.0, 120, p))
        assert exact >= 0.9
        assert stats.binomtest(count, RUNS, exact).pvalue > 1e-3


@pytest.mark.slow
@pytest.mark.parametrize(
    ("made", "n"),
    [
        (box_cox_limits, 120),
        (lambda x: normal_limits(x, logarithm=True), 20),
        (lambda x: bootstrap_limits(x, draws=500), 120),
        (lambda x: robust_limits(x, draws=200, logarithm=True), 60),
    ],
)
def test_intervals_of_other_methods_cover_ninety_per_cent(
    made: Callable[[np.ndarray], ReferenceLimits], n: int
) -> None:
    for count in hits(made, n):
        assert stats.binomtest(count, RUNS, 0.9).pvalue > 1e-3


@pytest.mark.slow
def test_robust_limits_of_a_skewed_population_miss_it() -> None:
    low, high = hits(lambda x: robust_limits(x, draws=100), 40)
    assert stats.binomtest(low, RUNS, 0.9, alternative="less").pvalue < 1e-6
    assert stats.binomtest(high, RUNS, 0.9, alternative="less").pvalue < 1e-6
