"""Size and power of the lot decision by simulation, against the stated alpha and the exact power."""

import numpy as np
import pytest
from scipy import stats

from stanch.verify.lots import lot_change, paired_power

RUNS = 1500


@pytest.mark.slow
@pytest.mark.parametrize("method", ["t", "signed-rank"])
@pytest.mark.parametrize("n", [6, 20])
def test_equivalence_is_claimed_as_often_as_it_should_be(method: str, n: int) -> None:
    draw = np.random.default_rng(12)
    on_limit = none = 0
    for _ in range(RUNS):
        old, scatter = draw.normal(50, 10, n), draw.normal(0, 1, n)
        on_limit += lot_change(old, old + 1.0 + scatter, allowed=1.0, method=method).outcome == "met"  # type: ignore[arg-type]
        none += lot_change(old, old + scatter, allowed=1.0, method=method).outcome == "met"  # type: ignore[arg-type]
    assert stats.binomtest(on_limit, RUNS, 0.05, alternative="greater").pvalue > 1e-3
    if method == "t":
        assert stats.binomtest(none, RUNS, paired_power(n, 1.0, 1.0)).pvalue > 1e-3
    else:
        # Signed ranks lose a little to the t test on normal data, not much.
        assert none / RUNS > paired_power(n, 1.0, 1.0) - 0.15
