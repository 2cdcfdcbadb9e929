"""Summaries of errors: exact values, invariances, and what donors and open plateaus do to them."""

import sys

import numpy as np
import pytest
from scipy import stats

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.hold import accuracy
from stanch.verify.hold.donors import MOST, clustered_share, design_effect, merged, worth
from stanch.verify.hold.lognormal import covariance, normal_fits
from stanch.verify.intervals import share_interval


def _plain(error, **more):
    n = len(error)
    y = np.zeros(n)
    return accuracy(y - np.asarray(error), y, np.zeros(n, bool), np.arange(n), np.full(n, -0.5), resamples=50, **more)


def test_errors_are_relative_to_the_plateau_and_quantiles_of_the_sample():
    size = np.linspace(0.01, 0.40, 40)
    # Predicted over plateau is 1 + size, so the error of the logarithm is minus log1p.
    found = _plain(-np.log1p(size))
    assert found.median.value == pytest.approx(100 * size[19])
    assert found.ninety.value == pytest.approx(100 * size[35])
    # P(Binomial(40, 0.9) <= 38) = 0.92 and <= 39 = 0.985: only the largest is an upper 95 % limit.
    assert found.ninety.high == pytest.approx(100 * size[39])
    assert found.rms.value == pytest.approx(np.sqrt(np.mean(np.log1p(size) ** 2)))
    assert found.left.value == pytest.approx(found.rms.value / 0.5)
    assert found.bias == pytest.approx(-np.log1p(size).mean())


def _open(error, hidden, **more):
    y = np.zeros(len(error))
    rng = np.random.default_rng(9)
    return accuracy(y - error, y, hidden, np.arange(len(error)), y + rng.normal(0, 0.5, len(error)), **more)


def test_open_plateaus_can_only_make_the_error_larger():
    e = np.abs(np.random.default_rng(1).normal(0, 0.1, 80))
    hidden = np.arange(80) % 4 == 0
    plain, open_ = _open(e, np.zeros(80, bool), resamples=50), _open(e, hidden, resamples=50)
    assert open_.rms.value > plain.rms.value
    assert open_.bias > plain.bias
    assert open_.open == 20


def test_open_plateaus_give_the_quantile_of_the_fitted_normal():
    rng = np.random.default_rng(2)
    e = rng.normal(0.05, 0.2, 60)
    hidden = e > 0.2
    e = np.minimum(e, 0.2)
    fit = censored_fit(np.ones((60, 1)), e, None, hidden)
    mean, sd = normal_fits(e, hidden, np.ones((1, 60)))
    assert mean[0] == pytest.approx(fit.coefficients[0], rel=1e-8)
    assert sd[0] == pytest.approx(fit.sd * np.sqrt(60 / 59), rel=1e-8)
    found = _open(e, hidden, resamples=200)
    q = found.ninety.value / 100
    inside = stats.norm.cdf(-np.log1p(-q), mean[0], sd[0]) - stats.norm.cdf(-np.log1p(q), mean[0], sd[0])
    assert inside == pytest.approx(0.9, abs=1e-9)
    assert found.ninety.low < found.ninety.value < found.ninety.high


def test_weights_of_resamples_are_copies():
    rng = np.random.default_rng(3)
    e, times = rng.normal(0, 0.2, 30), rng.integers(0, 4, 30)
    hidden = rng.random(30) < 0.3
    a = normal_fits(e, hidden, times[None, :])
    n = int(times.sum())
    b = normal_fits(np.repeat(e, times), np.repeat(hidden, times), np.ones((1, n)))
    assert (a[0][0], a[1][0]) == pytest.approx((b[0][0], b[1][0]), rel=1e-9)


def test_almost_nothing_reached_leaves_the_error_unknown():
    hidden = np.arange(40) >= 2
    found = _open(np.linspace(0.01, 0.4, 40), hidden, resamples=50)
    assert found.ninety.value is None
    assert found.ninety.why


def test_several_curves_of_a_donor_are_worth_less():
    rng = np.random.default_rng(2)
    own = rng.normal(0, 0.1, 40)
    error = np.repeat(own, 5) + rng.normal(0, 0.005, 200)
    y = np.zeros(200)
    none = np.zeros(200, bool)
    donors = accuracy(y - error, y, none, np.repeat(np.arange(40), 5), y - 0.3, resamples=300)
    alone = accuracy(y - error, y, none, np.arange(200), y - 0.3, resamples=300)
    assert donors.ninety.value == alone.ninety.value
    assert donors.ninety.high > alone.ninety.high
    assert donors.rms.high - donors.rms.low > 1.5 * (alone.rms.high - alone.rms.low)


def test_perfect_predictions():
    found = _plain(np.zeros(40))
    assert (found.ninety.value, found.ninety.high, found.rms.value, found.left.value) == (0.0, 0.0, 0.0, 0.0)


def test_plateaus_that_are_all_the_same_leave_nothing_to_compare_with():
    y = np.zeros(30)
    found = accuracy(y, y, np.zeros(30, bool), np.arange(30), y, resamples=50)
    assert found.left.value is None


def test_the_seed_decides_and_is_enough():
    e = np.random.default_rng(3).normal(0, 0.1, 50)
    assert _plain(e, seed=4) == _plain(e, seed=4)
    assert _plain(e, seed=4).rms.low != _plain(e, seed=5).rms.low


def test_one_donor_is_refused():
    with pytest.raises(InputError, match="two or more"):
        accuracy([0.0, 1], [0.0, 1], [False, False], [0, 0], [0.0, 0])


def test_shares_of_whole_numbers_are_the_exact_binomial():
    for count, of in ((0, 20), (20, 20), (7, 20)):
        found, exact = clustered_share(count / of, of, level=0.9), share_interval(count, of, level=0.9)
        assert (found.low, found.high) == pytest.approx((exact.low, exact.high))


def test_worth_of_independent_curves_is_their_number():
    draws = np.random.default_rng(0).binomial(50, 0.3, 20_000) / 50
    assert worth(draws, 0.3, 1000) == pytest.approx(50, rel=0.05)
    assert worth([0.3, 0.3], 0.3, 12) == 12


def test_with_hardly_any_open_plateau_the_limit_is_the_chi_square_one():
    rng = np.random.default_rng(5)
    e = rng.normal(0, 0.1, 400)
    hidden = np.zeros(400, bool)
    hidden[np.argmin(e)] = True
    found = _open(e, hidden, resamples=400)
    factor = np.sqrt(398 / stats.chi2.ppf(0.05, 398))
    high = np.log1p(found.ninety.high / 100) / np.log1p(found.ninety.value / 100)
    assert high == pytest.approx(factor, rel=0.02)


def test_several_open_curves_of_a_donor_are_worth_less():
    rng = np.random.default_rng(6)
    e = np.repeat(rng.normal(0, 0.1, 40), 5) + rng.normal(0, 0.005, 200)
    hidden = np.arange(200) % 5 == 0
    y = np.zeros(200)
    clustered = accuracy(y - e, y, hidden, np.repeat(np.arange(40), 5), y - 0.3, resamples=200)
    alone = accuracy(y - e, y, hidden, np.arange(200), y - 0.3, resamples=200)
    assert clustered.ninety.value == alone.ninety.value
    assert clustered.ninety.high - clustered.ninety.value > 1.8 * (alone.ninety.high - alone.ninety.value)


def test_too_few_reached_plateaus_leave_no_limit():
    rng = np.random.default_rng(7)
    found = _open(rng.normal(0, 0.2, 9), np.arange(9) >= 4, resamples=100)
    assert found.ninety.high is None
    assert "too few" in found.ninety.why.lower()


def test_many_curves_agree_with_the_fits_to_every_resample(monkeypatch):
    rng = np.random.default_rng(8)
    e = rng.normal(0.02, 0.15, 900)
    hidden = rng.random(900) < 0.3
    exact = _open(e, hidden, resamples=300)
    monkeypatch.setattr(sys.modules["stanch.verify.hold.accuracy"], "LARGE", 100)
    monkeypatch.setattr(sys.modules["stanch.verify.hold.donors"], "MOST", 300)
    quick = _open(e, hidden, resamples=300)
    for name in ("median", "ninety", "rms", "left"):
        a, b = getattr(exact, name), getattr(quick, name)
        assert b.value == a.value
        assert b.high - b.value == pytest.approx(a.high - a.value, rel=0.25)
        assert a.value - b.low == pytest.approx(a.value - a.low, rel=0.25)


def test_the_information_is_that_of_the_censored_fit():
    rng = np.random.default_rng(10)
    e = rng.normal(1.0, 0.3, 50)
    hidden = e > 1.2
    e = np.minimum(e, 1.2)
    fit = censored_fit(np.ones((50, 1)), e, None, hidden)
    found = covariance(e, hidden, fit.coefficients[0], fit.sd)
    assert found[0, 0] == pytest.approx(fit.covariance[0, 0], rel=1e-8)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("spread", [1e-14, 1e-6, 1.0, 300.0])
def test_fits_of_hardly_different_or_far_numbers_warn_of_nothing(spread):
    rng = np.random.default_rng(11)
    e = 1.0 + spread * rng.normal(size=12)
    hidden = np.arange(12) % 3 == 0
    mean, sd = normal_fits(e, hidden, rng.multinomial(12, np.full(12, 1 / 12), size=300))
    assert ((np.isnan(mean) & np.isnan(sd)) | (sd > 0)).all()


def test_curves_of_one_donor_have_no_say_beyond_it():
    own = np.repeat(np.random.default_rng(12).normal(size=30), 4)
    who = np.repeat(np.arange(30), 4)
    assert design_effect(own, who) == pytest.approx(4.0)
    assert design_effect(own, np.arange(120)) == 1.0
    mixed = np.random.default_rng(13).normal(size=120)
    assert 1.0 <= design_effect(mixed, who) < 1.5


def test_many_donors_are_merged_into_equal_groups():
    group = merged(np.arange(10_000), 0)
    assert group.max() == MOST - 1
    assert (np.bincount(group) == 5).all()
    assert merged(np.arange(50), 0).tolist() == list(range(50))
