"""Reagents: capacity, block fraction, antifibrinolytic, null effects and contact, against libraries and by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.stats.weightstats import ttost_paired

from stanch.errors import InputError
from stanch.verify.reagents import (
    block_fraction,
    contact_activation,
    neutraliser_capacity,
    null_effect,
    ratio_of_totals,
    residual_loss,
)


def _series(effects, donors=8, seed=0, noise=0.02):
    rng = np.random.default_rng(seed)
    doses = np.arange(len(effects)) * 0.5
    y = np.exp(rng.normal(5, 0.2, donors)[:, None] + np.array(effects) + rng.normal(0, noise, (donors, len(effects))))
    name = np.repeat([f"d{k}" for k in range(donors)], len(effects))
    return np.tile(doses, donors), y.ravel(), name


def test_capacity_is_the_highest_dose_with_all_lower_ones():
    found = neutraliser_capacity(*_series([0, 0, 0, 0.3, 0.6]), margin=1.1)
    assert (found.capacity, found.stopped_at) == (1.0, 1.5)
    assert [one.equivalent for one in found.doses] == [True, True, False, False]


def test_a_dose_taken_away_above_one_that_is_not_does_not_count():
    found = neutraliser_capacity(*_series([0, 0.3, 0, 0]), margin=1.1)
    assert found.capacity is None
    assert [one.equivalent for one in found.doses] == [False, True, True]


def test_every_dose_is_statsmodels_two_one_sided_tests():
    dose, y, name = _series([0, 0.02, 0.05], noise=0.04)
    found = neutraliser_capacity(dose, y, name, margin=1.1)
    logs = np.log(y).reshape(8, 3)
    for k, one in enumerate(found.doses, start=1):
        edge = np.log(1.1)
        assert one.ratio.p == pytest.approx(ttost_paired(logs[:, k], logs[:, 0], -edge, edge)[0], rel=1e-9)


def test_a_bound_at_a_dose_ends_the_claim_there():
    dose, y, name = _series([0, 0, 0, 0])
    above = np.zeros(y.size, bool)
    above[np.flatnonzero(dose == 1.0)[3]] = True
    found = neutraliser_capacity(dose, y, name, margin=1.1, above=above)
    assert found.capacity == 0.5
    assert found.doses[1].bounded == 1
    assert found.doses[1].ratio.n == 7


def test_without_a_margin_no_capacity_is_claimed():
    assert neutraliser_capacity(*_series([0, 0])).capacity is None


@pytest.mark.parametrize(
    ("dose", "y", "words"),
    [
        ([1.0, 2.0], [1.0, 1.0], "unspiked samples"),
        ([0.0, 0.0], [1.0, 1.0], "spiked ones"),
        ([0.0, 1.0], [0.0, 1.0], "above zero"),
    ],
)
def test_series_that_are_none_are_refused(dose, y, words):
    with pytest.raises(InputError, match=words):
        neutraliser_capacity(dose, y, ["a", "a"])


def test_block_fraction_inverts_the_block_correction():
    fibrin, platelet, b = np.array([100.0, 150, 120]), np.array([500.0, 300, 400]), 0.85
    base, blocked = fibrin + platelet, fibrin + (1 - b) * platelet
    found = block_fraction(base, blocked, fibrin)
    assert found.total.value == pytest.approx(b)
    assert found.mean.value == pytest.approx(b)
    assert found.sd.value == pytest.approx(0.0, abs=1e-12)
    b = found.total.value
    np.testing.assert_allclose((blocked - (1 - b) * base) / b, fibrin)
    np.testing.assert_allclose((base - blocked) / b, platelet)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_does_not_matter(scale):
    rng = np.random.default_rng(0)
    f, p = rng.uniform(100, 200, 9), rng.uniform(300, 600, 9)
    b = rng.normal(0.9, 0.03, 9)
    plain = block_fraction(f + p, f + (1 - b) * p, f)
    other = block_fraction(scale * (f + p), scale * (f + (1 - b) * p), scale * f)
    for one in ("value", "low", "high"):
        assert getattr(other.total, one) == pytest.approx(getattr(plain.total, one))
    assert plain.mean.value == pytest.approx(b.mean())
    assert plain.sd.value == pytest.approx(b.std(ddof=1))


def test_donors_without_platelet_part_are_left_out_and_counted():
    found = block_fraction([10.0, 20, 30, 5], [5.0, 8, 9, 5], [4.0, 6, 8, 6])
    assert (found.n, found.left_out) == (3, 1)
    with pytest.raises(InputError, match="Check which column"):
        block_fraction([4.0, 6], [5.0, 8], [10.0, 20])


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_fiellers_ends_are_where_the_t_test_turns(seed):
    rng = np.random.default_rng(seed)
    under = rng.normal(10, 1, 8)
    top = 0.8 * under + rng.normal(0, 1, 8)
    found = ratio_of_totals(top, under)
    for end in (found.low, found.high):
        assert stats.ttest_1samp(top - end * under, 0).pvalue == pytest.approx(0.05, rel=1e-6)


def test_a_bottom_not_told_from_zero_has_no_interval():
    found = ratio_of_totals([1.0, 2, 1], [5.0, -4, 1])
    assert (found.low, found.high) == (None, None)
    assert found.why


def test_residual_loss_is_a_one_sided_t_test():
    rng = np.random.default_rng(1)
    control, left, added = rng.normal(0.1, 0.05, 10), rng.normal(0.05, 0.05, 10), rng.normal(3, 0.5, 10)
    found = residual_loss(control + left, control=control, unprotected=control + added, allowed=0.1)
    p = stats.ttest_1samp(left, 0.1, alternative="less").pvalue
    assert (found.outcome == "met") == (p < 0.05)
    assert found.stopped.value == pytest.approx(1 - left.mean() / added.mean())
    assert found.challenged is True


def test_samples_that_did_not_lyse_put_nothing_to_the_test():
    rng = np.random.default_rng(2)
    still = rng.normal(0, 0.02, (2, 8))
    found = residual_loss(still[0], unprotected=still[1], allowed=0.2)
    assert (found.outcome, found.challenged) == ("undecided", False)
    assert residual_loss(still[0], allowed=0.2).outcome == "undecided"
    assert residual_loss(still[0] + 1, unprotected=still[1] + 5, allowed=0.2).outcome == "not met"


def test_null_effect_both_ways():
    x = np.array([100.0, 200, 300, 400])
    found = null_effect(x, 1.02 * x * np.array([0.995, 1.005, 1.005, 0.995]), allowed=1.05)
    assert found.ratio.value == pytest.approx(1.02, rel=1e-4)
    assert found.equivalence.outcome == "met"
    shifted = x + np.array([6.9, 7.0, 7.1, 7.0])
    assert null_effect(x, shifted, allowed=5, difference=True).equivalence.outcome == "not met"
    with pytest.raises(InputError, match="above zero"):
        null_effect([0.0, 1], [1.0, 1])


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 10_000))
def test_curves_are_statsmodels_kaplan_meier(seed):
    rng = np.random.default_rng(seed)
    t, b = rng.uniform(100, 200, 15), rng.exponential(500, 15) + 100
    never = b > 700
    found = contact_activation(t, np.minimum(b, 700), blank_open=never)
    other = SurvfuncRight(np.minimum(b, 700), (~never).astype(float))
    ours = dict(zip(*found.curve_blank))
    for at, share in zip(other.surv_times, other.surv_prob):
        assert ours[at] == pytest.approx(share, abs=1e-12)
    median = other.quantile(0.5)
    assert found.median_blank.value == (None if np.isnan(median) else pytest.approx(median))
    if found.median_blank.value is not None:
        with np.errstate(divide="ignore"):  # theirs, where the curve has reached 0 or stands at 1
            low, high = other.quantile_ci(0.5, method="cloglog")
        assert found.median_blank.low == pytest.approx(low)
        assert found.median_blank.high == (pytest.approx(high) if np.isfinite(high) else None)


def test_the_lead_is_the_sign_tests():
    t = np.full(12, 100.0)
    b = t + np.arange(1.0, 13)
    found = contact_activation(t, b, least=3.0)
    # P(Binomial(12, 1/2) <= 2) = 0.0193 and <= 3 = 0.073: the third smallest is the limit.
    assert found.lead.low == 3.0
    assert found.lead.value == 6.5
    assert found.outcome == "met"
    assert contact_activation(t, b, least=3.5).outcome == "undecided"
    assert contact_activation(t, b, least=10.5).outcome == "not met"


def test_blanks_that_never_set_count_by_their_bound_and_never_against_it():
    t, b = np.full(12, 100.0), np.full(12, 500.0)
    never = np.ones(12, bool)
    found = contact_activation(t, b, blank_open=never, least=300.0)
    assert (found.lead.low, found.outcome) == (400.0, "met")
    assert contact_activation(t, b, blank_open=never, least=450.0).outcome == "undecided"
    assert found.median_blank.value is None
    lost = contact_activation(b, b, with_open=never, blank_open=never, least=1.0)
    assert lost.lead.value is None
    assert (lost.log_rank, lost.p) == (None, None)


def test_three_samples_are_too_few_for_a_limit():
    found = contact_activation([1.0, 2, 3], [5.0, 6, 7], least=1.0)
    assert found.lead.low is None
    assert found.outcome == "undecided"


def test_all_wells_alike_have_no_log_rank():
    assert contact_activation([5.0] * 4, [5.0] * 4).p is None
