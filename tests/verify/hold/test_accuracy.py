"""Summaries of errors: exact values, invariances, and what donors and open plateaus do to them."""

import numpy as np
import pytest
from scipy import stats

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.hold import accuracy
from stanch.verify.hold.accuracy import clustered_share, worth
from stanch.verify.hold.lognormal import normal_fits
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
