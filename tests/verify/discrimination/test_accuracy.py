import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.discrimination import (
    accuracy,
    accuracy_of_counts,
    negative_predictive_value,
    positive_predictive_value,
    predictive_values,
)


def test_counts_and_shares() -> None:
    decided = np.array([True, True, False, True, False, False, False])
    truth = np.array([True, True, True, False, False, False, False])
    found = accuracy(decided, truth)
    assert (found.true_positive, found.false_positive, found.false_negative, found.true_negative) == (2, 1, 1, 3)
    assert found.sensitivity.value == pytest.approx(2 / 3)
    assert found.specificity.value == pytest.approx(3 / 4)
    assert found.positive_ratio.value == pytest.approx((2 / 3) / (1 / 4))
    assert found.negative_ratio.value == pytest.approx((1 / 3) / (3 / 4))


def test_likelihood_ratios_by_the_logarithm() -> None:
    found = accuracy_of_counts(80, 30, 20, 70).positive_ratio
    half = 1.959964 * math.sqrt(1 / 80 - 1 / 100 + 1 / 30 - 1 / 100)
    middle = math.log(0.8 / 0.3)
    assert (found.low, found.high) == pytest.approx((math.exp(middle - half), math.exp(middle + half)), rel=1e-6)


def test_exchanged_groups_exchange_the_ratios() -> None:
    one, other = accuracy_of_counts(80, 30, 20, 70), accuracy_of_counts(70, 20, 30, 80)
    assert other.sensitivity == one.specificity
    assert other.positive_ratio.value == pytest.approx(1 / one.negative_ratio.value)
    assert other.positive_ratio.low == pytest.approx(1 / one.negative_ratio.high)


def test_zero_cells_are_said_or_filled() -> None:
    found = accuracy_of_counts(8, 0, 2, 10)
    assert found.positive_ratio.value is None
    assert "zero" in found.positive_ratio.why
    assert found.negative_ratio.value == pytest.approx(0.2)
    filled = accuracy_of_counts(8, 0, 2, 10, zero_cells="half").positive_ratio
    assert filled.value == pytest.approx((8.5 / 11) / (0.5 / 11))
    assert "One half" in filled.why
    all_right = accuracy_of_counts(10, 0, 0, 10)
    assert all_right.negative_ratio.value == 0
    assert all_right.negative_ratio.low is None


def test_score_and_exact_intervals() -> None:
    exact = accuracy_of_counts(10, 0, 0, 10).sensitivity
    assert exact.low == pytest.approx(0.025 ** (1 / 10))
    score = accuracy_of_counts(10, 0, 0, 10, interval="score").sensitivity
    assert score.low == pytest.approx(1 / (1 + 1.959964**2 / 10), abs=1e-6)


def test_predictive_values_follow_bayes() -> None:
    assert float(positive_predictive_value(0.9, 0.8, 0.1)) == pytest.approx(0.09 / (0.09 + 0.18))
    assert float(negative_predictive_value(0.9, 0.8, 0.1)) == pytest.approx(0.72 / (0.72 + 0.01))
    assert np.isnan(positive_predictive_value(0.0, 1.0, 0.5))
    rising = positive_predictive_value(0.9, 0.8, np.linspace(0, 1, 11))
    assert (np.diff(rising) > 0).all()


def test_predictive_values_of_the_sample_are_shares_of_decisions() -> None:
    found = accuracy_of_counts(30, 10, 5, 55)
    positive, negative = predictive_values(found)
    assert positive.value == 30 / 40
    assert negative.value == 55 / 60
    stated = predictive_values(found, 35 / 100)
    assert stated[0].value == pytest.approx(positive.value)
    assert stated[1].value == pytest.approx(negative.value)


def test_predictive_intervals_by_the_logit() -> None:
    found = accuracy_of_counts(80, 30, 20, 70)
    positive, negative = predictive_values(found, 0.1)
    half = 1.959964 * math.sqrt(0.2 / (100 * 0.8) + 0.7 / (100 * 0.3))
    odds = 0.8 / 0.3 / 9
    ends = [odds * math.exp(s * half) for s in (-1, 1)]
    assert (positive.low, positive.high) == pytest.approx(tuple(o / (1 + o) for o in ends), rel=1e-5)
    half = 1.959964 * math.sqrt(0.3 / (100 * 0.7) + 0.8 / (100 * 0.2))
    odds = 0.7 / 0.2 * 9
    ends = [odds * math.exp(s * half) for s in (-1, 1)]
    assert (negative.low, negative.high) == pytest.approx(tuple(o / (1 + o) for o in ends), rel=1e-5)


@pytest.mark.parametrize("cells", [(10, 0, 0, 10), (10, 0, 5, 10), (0, 3, 10, 7), (10, 3, 0, 7), (10, 10, 0, 0)])
@pytest.mark.parametrize("prevalence", [0.01, 0.5, 0.99])
def test_zero_cells_keep_an_interval(cells: tuple[int, int, int, int], prevalence: float) -> None:
    for value in predictive_values(accuracy_of_counts(*cells), prevalence):
        if value.value is None:
            assert "Nobody" in value.why
            continue
        assert 0 <= value.low <= value.value <= value.high <= 1
        assert value.low < value.high


def test_refusals() -> None:
    with pytest.raises(InputError, match="someone in each group"):
        accuracy_of_counts(0, 1, 0, 1)
    with pytest.raises(InputError, match="one of each"):
        accuracy([True], [True, False])
    with pytest.raises(InputError, match="prevalence"):
        predictive_values(accuracy_of_counts(1, 1, 1, 1), 1.0)
    nobody = predictive_values(accuracy_of_counts(0, 0, 5, 5))
    assert nobody[0].value is None
