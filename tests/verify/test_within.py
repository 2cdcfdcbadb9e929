"""Change along a dose within samples: against statsmodels, textbook identities, and the inverse."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stanch.errors import InputError
from stanch.verify.within import change_along


def _series(seed, samples=6, ragged=False):
    rng = np.random.default_rng(seed)
    x = np.tile([0.0, 1, 2, 4], samples)
    name = np.repeat(np.arange(samples), 4)
    y = rng.normal(10, 3, samples)[name] + 0.5 * x + rng.normal(size=x.size)
    keep = np.ones(x.size, bool)
    if ragged:
        keep[rng.integers(0, x.size, 4)] = False
    return x[keep], y[keep], name[keep]


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.booleans(), st.integers(1, 2))
def test_common_slopes_are_ordinary_least_squares_with_sample_constants(seed, ragged, order):
    x, y, name = _series(seed, ragged=ragged)
    found = change_along(x, y, name, order=order, slopes="common")
    design = np.column_stack([x**k for k in range(1, order + 1)] + [name == k for k in np.unique(name)]).astype(float)
    other = sm.OLS(y, design).fit()
    contrast = np.r_[[3.0**k for k in range(1, order + 1)], np.zeros(np.unique(name).size)]
    test = other.t_test(contrast)
    low, high = test.conf_int(alpha=0.1)[0]
    at = found.at(3.0, level=0.9)
    assert at.value == pytest.approx(float(test.effect[0]), rel=1e-9, abs=1e-12)
    assert (at.low, at.high) == pytest.approx((low, high), rel=1e-9, abs=1e-10)
    assert found.df == other.df_resid
    assert found.residual_sd == pytest.approx(np.sqrt(other.scale))


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_varying_slopes_are_the_mean_of_the_samples_own_with_its_t_interval(seed):
    x, y, name = _series(seed, ragged=True)
    own = []
    for k in np.unique(name):
        mine = name == k
        if np.unique(x[mine]).size >= 2:
            own.append(stats.linregress(x[mine], y[mine]).slope)
    found = change_along(x, y, name).slope(level=0.95)
    test = stats.ttest_1samp(own, 0).confidence_interval(0.95)
    assert found.value == pytest.approx(np.mean(own))
    assert (found.low, found.high) == pytest.approx((test.low, test.high))


def test_in_equal_designs_both_kinds_agree_on_the_curve():
    x, y, name = _series(3)
    grid = np.linspace(0, 4, 9)
    np.testing.assert_allclose(
        change_along(x, y, name).curve(grid)[0], change_along(x, y, name, slopes="common").curve(grid)[0], atol=1e-12
    )


def test_the_inverse_of_a_line_through_the_reference_is_fiellers():
    x, y, name = _series(4)
    found = change_along(x, y, name, slopes="common")
    slope = found.slope(level=0.9)
    left = found.leaves(-1.0, 1.0, level=0.9)
    assert left.value == pytest.approx(1.0 / slope.value, rel=1e-10)
    assert left.low == pytest.approx(1.0 / slope.high, rel=1e-10)
    assert left.high == (pytest.approx(1.0 / slope.low, rel=1e-10) if slope.low > 0.25 else None)


def test_what_is_not_reached_is_said_and_not_extrapolated():
    x, y, name = np.tile([0.0, 1, 2], 3), np.tile([0.0, 0.1, 0.2], 3), np.repeat([0, 1, 2], 3)
    found = change_along(x, y + name, name)
    left = found.leaves(-1.0, 1.0)
    assert (left.value, left.low, left.high) == (None, None, None)
    assert "Not reached up to 2" in left.why
    exact = found.leaves(-0.15, 0.15)
    assert exact.value == pytest.approx(1.5)
    assert exact.low == pytest.approx(1.5)


def test_walking_down_from_the_reference():
    x = np.tile([20.0, 37.0, 40.0], 4)
    name = np.repeat(np.arange(4), 3)
    y = 2.0 * (x - 37) + name
    found = change_along(x, y, name, reference=37.0)
    assert found.leaves(-10, 10, towards="down").value == pytest.approx(32.0)
    assert found.leaves(-10, 10).value is None
    assert "reference" in change_along(x, y, name, reference=40.0).leaves(-1, 1).why


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 1000), st.sampled_from([1e-12, 1e12]), st.sampled_from([1e-9, 1e9]))
def test_scales_of_both_axes_go_through(seed, scale, stretch):
    x, y, name = _series(seed)
    plain = change_along(x, y, name, order=2)
    other = change_along(stretch * x, scale * y, name, order=2)
    for a, b in zip(plain.curve([1.0, 3.0]), other.curve([stretch, 3 * stretch])):
        np.testing.assert_allclose(b, scale * a, rtol=1e-6, atol=1e-8 * scale)


def test_the_order_of_rows_and_the_names_do_not_matter():
    x, y, name = _series(8)
    turn = np.random.default_rng(0).permutation(x.size)
    plain, other = (
        change_along(x, y, name),
        change_along(x[turn], y[turn], np.array(["b", "a", "f", "e", "d", "c"])[name[turn]]),
    )
    np.testing.assert_allclose(plain.curve([2.0]), other.curve([2.0]), rtol=1e-12)


@pytest.mark.parametrize(
    ("x", "y", "name", "options", "words"),
    [
        ([1.0, 1, 1], [1.0, 2, 3], None, {"slopes": "common"}, "two different doses"),
        ([0.0, 1], [1.0, 2], None, {"slopes": "common"}, "more results"),
        ([0.0, 1, 0, 1], [1.0, 2, 1, 2], ["a", "a", "b", "c"], {}, "at least 2 when slopes may vary"),
        ([0.0, 1, 2], [1.0, 2, 3], None, {"order": 4}, "1, 2 or 3"),
        ([0.0, 1, 0, 1, 0], [1.0, 2, 1, 2, 1], [1, 2, 3, 4, 1], {"slopes": "common"}, "more results than unknowns"),
        ([0.0, 1, np.nan], [1.0, 2, 3], None, {}, "not finite"),
    ],
)
def test_too_little_is_refused(x, y, name, options, words):
    with pytest.raises(InputError, match=words):
        change_along(x, y, name, **options)


def test_constant_results_have_no_change_and_no_interval():
    found = change_along([0.0, 1, 2] * 2, [5.0] * 6, [0, 0, 0, 1, 1, 1])
    assert found.at(2.0).value == found.at(2.0).low == found.at(2.0).high == 0.0
