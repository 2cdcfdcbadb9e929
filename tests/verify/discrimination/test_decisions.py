import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.discrimination import mcnemar, paired_decisions


def test_counts_of_pairs() -> None:
    found = paired_decisions([True, True, True, False, False], [True, False, False, True, False])
    assert (found.both, found.only_first, found.only_second, found.neither) == (1, 2, 1, 1)
    assert found.difference.value == pytest.approx(1 / 5)


def test_chi_square_with_and_without_correction_and_exact() -> None:
    found = mcnemar(20, 12, 3, 30)
    assert found.chi2 == pytest.approx(81 / 15)
    assert found.chi2_corrected == pytest.approx(64 / 15)
    tail = sum(math.comb(15, k) for k in range(4)) / 2**15
    assert found.p_exact == pytest.approx(2 * tail)
    assert found.p_mid == pytest.approx(2 * tail - math.comb(15, 3) / 2**15)


def test_exchanging_the_decisions_turns_the_difference_over() -> None:
    one, other = mcnemar(20, 12, 3, 30), mcnemar(20, 3, 12, 30)
    assert other.difference.value == pytest.approx(-one.difference.value)
    assert other.difference.low == pytest.approx(-one.difference.high)
    assert (other.p, other.p_exact) == (one.p, one.p_exact)


def test_decisions_that_never_differ() -> None:
    found = mcnemar(5, 0, 0, 5)
    assert (found.chi2, found.p, found.p_exact, found.p_mid) == (None, None, 1, 1)
    assert found.difference.low < 0 < found.difference.high


def test_as_many_each_way() -> None:
    found = mcnemar(5, 4, 4, 5)
    assert (found.chi2, found.p, found.p_exact) == (0, 1, 1)
    assert found.chi2_corrected == 0
    assert found.p_mid <= 1


def test_refusals() -> None:
    with pytest.raises(InputError, match="not all zero"):
        mcnemar(0, 0, 0, 0)
    with pytest.raises(InputError, match="not below zero"):
        mcnemar(1, -1, 0, 0)
    with pytest.raises(InputError, match="one of each"):
        paired_decisions([True], [True, False])


def test_a_million_pairs() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.random(1_000_000) < 0.5, rng.random(1_000_000) < 0.5
    found = paired_decisions(x, y)
    assert 0 < found.p_exact <= 1
    assert found.p_exact == pytest.approx(found.p_corrected, abs=1e-3)
