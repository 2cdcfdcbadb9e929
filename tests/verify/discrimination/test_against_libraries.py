"""Discrimination against scikit-learn, SciPy and statsmodels on random data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import roc_auc_score, roc_curve
from statsmodels.stats.contingency_tables import mcnemar as statsmodels_mcnemar
from statsmodels.stats.proportion import proportion_confint

from stanch.verify.discrimination import accuracy, area, curve, marks, mcnemar

seeds = st.integers(0, 2**32 - 1)
often = settings(derandomize=True, deadline=None, max_examples=40)


def people(seed: int, n: int, decimals: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    y = np.arange(n) < max(2, n // 3)
    rng.shuffle(y)
    return np.round(rng.normal(size=n) + y, decimals), y


@given(seeds, st.integers(6, 200), st.integers(0, 3))
@often
def test_the_area_is_scikit_learns(seed: int, n: int, decimals: int) -> None:
    x, y = people(seed, n, decimals)
    assert area(marks(x, y)).area.value == pytest.approx(roc_auc_score(y, x), abs=1e-13)
    assert area(marks(x, y, direction="lower")).area.value == pytest.approx(roc_auc_score(y, -x), abs=1e-13)


@given(seeds, st.integers(6, 200), st.integers(0, 3))
@often
def test_the_curve_is_scikit_learns(seed: int, n: int, decimals: int) -> None:
    x, y = people(seed, n, decimals)
    fpr, tpr, threshold = roc_curve(y, x, drop_intermediate=False)
    found = marks(x, y)
    points = curve(found)
    np.testing.assert_allclose(1 - points.specificity, fpr, atol=1e-14)
    np.testing.assert_allclose(points.sensitivity, tpr, atol=1e-14)
    np.testing.assert_allclose(found.levels[points.level[1:]], threshold[1:])


@given(seeds, st.integers(6, 200), st.integers(0, 3))
@often
def test_the_area_is_scipys_mann_whitney_statistic(seed: int, n: int, decimals: int) -> None:
    x, y = people(seed, n, decimals)
    u = stats.mannwhitneyu(x[y], x[~y]).statistic
    assert area(marks(x, y)).area.value == pytest.approx(u / (y.sum() * (~y).sum()), abs=1e-13)


@given(*[st.integers(0, 60)] * 4)
@often
def test_paired_decisions_are_statsmodels(both: int, first: int, second: int, neither: int) -> None:
    if first + second == 0:
        return
    table = [[both, first], [second, neither]]
    found = mcnemar(both, first, second, neither)
    for corrected, chi2, p in ((False, found.chi2, found.p), (True, found.chi2_corrected, found.p_corrected)):
        if corrected and first == second:
            # statsmodels takes (0 - 1)^2 where the corrected difference is negative; here it is zero.
            continue
        other = statsmodels_mcnemar(table, exact=False, correction=corrected)
        assert (chi2, p) == pytest.approx((other.statistic, other.pvalue), rel=1e-9, abs=1e-14)
    assert found.p_exact == pytest.approx(statsmodels_mcnemar(table, exact=True).pvalue, rel=1e-9)


@given(seeds, st.integers(6, 300), st.sampled_from([("exact", "beta"), ("score", "wilson")]))
@often
def test_shares_have_statsmodels_intervals(seed: int, n: int, kinds: tuple[str, str]) -> None:
    x, y = people(seed, n, 2)
    found = accuracy(x > 0.5, y, interval=kinds[0])
    for share, count, of in (
        (found.sensitivity, found.true_positive, int(y.sum())),
        (found.specificity, found.true_negative, int((~y).sum())),
    ):
        low, high = proportion_confint(count, of, method=kinds[1])
        expected = np.nan_to_num(low), np.nan_to_num(high, nan=1.0)
        assert (share.low, share.high) == pytest.approx(expected, abs=1e-12)


@given(seeds, st.integers(6, 120))
@often
def test_the_likelihood_ratio_is_scipys_relative_risk(seed: int, n: int) -> None:
    x, y = people(seed, n, 2)
    found = accuracy(x > 0.5, y)
    if 0 in (found.true_positive, found.false_positive):
        return
    other = stats.contingency.relative_risk(found.true_positive, int(y.sum()), found.false_positive, int((~y).sum()))
    ends = other.confidence_interval(0.95)
    ratio = found.positive_ratio
    assert (ratio.value, ratio.low, ratio.high) == pytest.approx((other.relative_risk, ends.low, ends.high), rel=1e-9)
