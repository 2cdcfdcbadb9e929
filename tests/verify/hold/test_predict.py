"""Out-of-sample predictions against scikit-learn and refitting by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.hold import out_of_sample
from stanch.verify.hold.predict import folds_of


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 10_000))
def test_leaving_donors_out_is_what_scikit_learn_does(seed):
    rng = np.random.default_rng(seed)
    donor = np.sort(rng.integers(0, 8, 30))
    donor[:3] = [0, 1, 2]
    x = rng.normal(size=30)
    y = 1 + 0.7 * x + rng.normal(0, 0.2, 30)
    ours = out_of_sample(x, y, np.zeros(30, bool), folds_of(donor))
    theirs = cross_val_predict(LinearRegression(), x[:, None], y, groups=donor, cv=LeaveOneGroupOut())
    np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-12)


def test_knowing_nothing_is_the_mean_of_the_others():
    y = np.array([1.0, 2, 3, 6])
    found = out_of_sample(None, y, np.zeros(4, bool), np.arange(4))
    np.testing.assert_allclose(found, [(12 - v) / 3 for v in y])


def test_open_plateaus_enter_by_their_likelihood():
    rng = np.random.default_rng(2)
    x = rng.normal(size=20)
    y = x + rng.normal(0, 0.3, 20)
    hidden = y > 0.5
    bound = np.minimum(y, 0.5)
    found = out_of_sample(x, bound, hidden, np.arange(20))
    others = np.arange(20) != 4
    fit = censored_fit(np.column_stack([np.ones(19), x[others]]), bound[others], None, hidden[others])
    assert found[4] == pytest.approx(fit.coefficients @ [1, x[4]], rel=1e-6)


def test_donors_stay_together_in_folds():
    donor = np.repeat(np.arange(250), 3)
    fold = folds_of(donor, seed=4)
    assert np.unique(fold).size == 10
    assert all(np.unique(fold[donor == d]).size == 1 for d in range(250))
    assert np.bincount(fold).tolist() == [75] * 10
    assert np.unique(folds_of(np.arange(200))).size == 200


@pytest.mark.parametrize(("donor", "folds"), [(np.zeros(5, int), 0), (np.arange(4), 5), (np.arange(4), 1)])
def test_folds_that_cannot_be_made_are_refused(donor, folds):
    with pytest.raises(InputError, match="folds"):
        folds_of(donor, folds=folds)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.sampled_from([0.1, 0.3, 0.6]), st.booleans())
def test_all_folds_at_once_are_the_fits_one_by_one(seed, open_, early):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(10, 40))
    x = rng.normal(5, 0.5, n)
    y = 2 + 0.8 * x + rng.normal(0, 10.0 ** rng.uniform(-3, 0), n)
    hidden = rng.random(n) < open_
    hidden[:6] = False
    who = rng.permutation(n) // 2
    design = np.column_stack([np.ones(n), x - x.mean()]) if early else np.ones((n, 1))
    alone = np.empty(n)
    for one in np.unique(who):
        own = who == one
        bounds = hidden[~own]
        fit = censored_fit(design[~own], y[~own], None, bounds if bounds.any() else None)
        alone[own] = design[own] @ fit.coefficients
    found = out_of_sample(x if early else None, y, hidden, folds_of(who))
    np.testing.assert_allclose(found, alone, rtol=1e-7)
