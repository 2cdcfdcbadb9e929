"""Bias of wells: against statsmodels' least squares and mixed model, SciPy's tests, and by hand."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stanch.errors import InputError
from stanch.verify.wells import well_bias
from stanch.verify.wells.blocks import Blocks


def _table(seed=0, samples=10, wells=4, bias=(0.0, 0.02, -0.02, 0.0), lost=0, noise=0.03):
    rng = np.random.default_rng(seed)
    s, w = np.repeat(np.arange(samples), wells), np.tile(np.arange(wells), samples)
    run = (s + w) % wells
    y = (
        rng.normal(6, 0.5, samples)[s]
        + rng.normal(0, 0.1, wells)[run]
        + np.array(bias)[w]
        + rng.normal(0, noise, s.size)
    )
    keep = np.ones(s.size, bool)
    keep[rng.choice(s.size, lost, replace=False)] = False
    return np.exp(y)[keep], s[keep].astype(str), w[keep].astype(str), run[keep].astype(str)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 10_000), st.integers(0, 6), st.booleans())
def test_biases_are_the_contrasts_of_ordinary_least_squares(seed, lost, runs):
    y, s, w, r = _table(seed, lost=lost)
    found = well_bias(y, s, w, run=r if runs else None, adjust="none")
    classes = [np.unique(s), np.unique(w), np.unique(r)] if runs else [np.unique(s), np.unique(w)]
    given_ = [s, w, r] if runs else [s, w]
    columns = [np.ones(y.size)] + [(v == c).astype(float) for v, cs in zip(given_, classes) for c in cs[1:]]
    fit = sm.OLS(np.log(y), np.column_stack(columns)).fit()
    first = classes[0].size
    for k, one in enumerate(sorted(found.wells, key=lambda b: b.well)):
        contrast = np.zeros(len(columns))
        contrast[first : first + 3] = -0.25
        if k:
            contrast[first + k - 1] += 1
        test = fit.t_test(contrast)
        low, high = test.conf_int(alpha=0.1)[0]
        assert math.log(one.bias.value) == pytest.approx(float(test.effect[0]), rel=1e-7, abs=1e-10)
        assert (math.log(one.bias.low), math.log(one.bias.high)) == pytest.approx((low, high), rel=1e-7)
    assert found.df == fit.df_resid
    equal = np.zeros((3, len(columns)))
    equal[:, first : first + 3] = np.eye(3)
    assert found.f == pytest.approx(float(np.squeeze(fit.f_test(equal).fvalue)), rel=1e-7)


def test_random_samples_in_a_full_layout_have_the_mixed_models_biases():
    y, s, w, _ = _table(3, samples=12)
    found = well_bias(y, s, w, adjust="none")
    names = sorted({one.well for one in found.wells})
    design = np.column_stack([w == n for n in names]).astype(float)
    mixed = sm.MixedLM(np.log(y), design, groups=s).fit(reml=True)
    effects = mixed.params[:4] - np.mean(mixed.params[:4])
    ours = {one.well: math.log(one.bias.value) for one in found.wells}
    np.testing.assert_allclose([ours[n] for n in names], effects, atol=1e-8)
    assert found.residual_sd.value == pytest.approx(np.sqrt(mixed.scale), rel=1e-4)


def test_the_interaction_is_the_f_test_of_nested_models():
    y, s, w, _ = _table(4, samples=10)
    level = np.where(s.astype(int) < 5, "low", "high")
    found = well_bias(y, s, w, level=level, scale="ratio")

    def rss(classes):
        x = np.column_stack([np.ones(y.size)] + [(v == c).astype(float) for v in classes for c in np.unique(v)[1:]])
        beta, _, rank, _ = np.linalg.lstsq(x, np.log(y))
        return float(((np.log(y) - x @ beta) ** 2).sum()), y.size - rank

    (a, fa), (b, fb) = rss([s, w]), rss([s, np.char.add(w, level)])
    f = (a - b) / (fa - fb) / (b / fb)
    assert found.interaction_f == pytest.approx(f, rel=1e-7)
    assert found.interaction_p == pytest.approx(stats.f.sf(f, fa - fb, fb), rel=1e-6)
    low = s.astype(int) < 5
    alone = well_bias(y[low], s[low], w[low], adjust="none")
    for ours, one in zip(found.by_level["low"], alone.wells):
        assert ours.value == pytest.approx(one.bias.value, rel=1e-10)


def test_replicates_are_averaged_first_so_samples_decide_the_interval():
    y, s, w, r = _table(5)
    doubled = well_bias(np.r_[y * 1.001, y / 1.001], np.r_[s, s], np.r_[w, w], run=np.r_[r, r])
    plain = well_bias(y, s, w, run=r)
    for a, b in zip(doubled.wells, plain.wells):
        assert (a.bias.low, a.bias.high) == pytest.approx((b.bias.low, b.bias.high))
    assert doubled.replicate_sd.value == pytest.approx(np.log(1.001) * np.sqrt(2))
    assert plain.replicate_sd.value is None


def test_adjustments():
    y, s, w, r = _table(6)
    none, bonf, holm = (well_bias(y, s, w, run=r, allowed=1.05, adjust=a) for a in ("none", "bonferroni", "holm"))
    p = [one.p for one in none.wells]
    assert [one.adjusted for one in bonf.wells] == pytest.approx([min(1, 4 * v) for v in p])
    ordered = sorted(p)
    expected = np.maximum.accumulate([min(1.0, v * (4 - k)) for k, v in enumerate(ordered)])
    assert sorted(one.adjusted for one in holm.wells) == pytest.approx(list(expected))
    assert none.p_all == bonf.p_all == max(p)
    assert bonf.wells[0].bias.high > none.wells[0].bias.high
    assert bonf.wells[0].single == none.wells[0].bias


def test_verdicts():
    y, s, w, r = _table(7)
    assert well_bias(y, s, w, run=r, allowed=1.10).outcome == "met"
    assert well_bias(y, s, w, run=r).outcome == "no limit stated"
    off, s, w, r = _table(7, bias=(0.3, -0.1, -0.1, -0.1))
    found = well_bias(off, s, w, run=r, allowed=1.10)
    assert found.outcome == "not met"
    assert found.pair[0] == "0"
    assert found.largest.value == pytest.approx(math.exp(0.3), rel=0.05)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_does_not_matter(scale):
    y, s, w, r = _table(8)
    plain, other = well_bias(y, s, w, run=r), well_bias(scale * y, s, w, run=r)
    assert other.largest.value == pytest.approx(plain.largest.value, rel=1e-9)
    a, b = (well_bias(k * y, s, w, run=r, scale="difference").largest for k in (1, scale))
    assert b.value == pytest.approx(scale * a.value, rel=1e-8)


def test_equal_wells_without_scatter():
    s, w = np.repeat(list("abcd"), 3), np.tile(list("xyz"), 4)
    found = well_bias(np.repeat([10.0, 20, 30, 40], 3), s, w, allowed=1.1)
    assert found.outcome == "undecided"
    assert found.largest.value == pytest.approx(1.0, abs=1e-12)
    assert (found.f, found.homogeneity) == (None, None)


def test_very_much_evidence_is_not_taken_for_none():
    """With many samples the p value is too small to be held; that is not a lack of scatter."""
    rng = np.random.default_rng(3)
    y = 100.0 + rng.normal(0, 1.0, 60_000)
    found = well_bias(y, np.repeat(np.arange(20_000), 3).astype(str), np.tile(list("xyz"), 20_000), allowed=1.3)
    assert (found.outcome, found.p_all) == ("met", 0.0)


def test_wells_that_no_sample_connects_are_refused():
    y = np.arange(1.0, 13)
    s = np.array(["a", "a", "b", "b", "c", "c", "d", "d", "e", "e", "f", "f"])
    w = np.array(["1", "2", "1", "2", "1", "2", "3", "4", "3", "4", "3", "4"])
    with pytest.raises(InputError, match="no sample connects"):
        well_bias(y, s, w)


def test_a_level_where_wells_do_not_meet_is_missing_and_not_invented():
    y, s, w, _ = _table(9, samples=12)
    number = s.astype(int)
    keep = (number < 6) | np.isin(w, ["0", "1"])
    level = np.where(number < 6, "low", "high")
    found = well_bias(y[keep], s[keep], w[keep], level=level[keep])
    assert all(one.value is None for one in found.by_level["high"])
    assert all(one.value is not None for one in found.by_level["low"])


@pytest.mark.parametrize(
    ("y", "s", "w", "level", "words"),
    [
        ([1.0, 2, 3, 4], list("abcd"), list("xxxx"), None, "2 to 384"),
        ([1.0, 2, 3, 4], list("abcd"), list("xyxy"), None, "more cells than unknowns"),
        ([1.0, 2, 3, -4], list("aabb"), list("xyxy"), None, "above zero"),
        ([1.0, 2, 3, 4, 5, 6], list("aabbcc"), list("xyxyxy"), list("ppqqpq"), "two levels"),
    ],
)
def test_layouts_that_cannot_be_judged_are_refused(y, s, w, level, words):
    with pytest.raises(InputError, match=words):
        well_bias(y, s, w, level=level)


def test_unequal_scatter_is_brown_forsythe_on_residuals():
    y, s, w, _ = _table(10, samples=30)
    noisy = np.where(w == "1", y * np.exp(np.random.default_rng(1).normal(0, 0.3, y.size)), y)
    found = well_bias(noisy, s, w)
    parts = [found.fit.residuals[found.cell_well == k] for k in range(4)]
    assert found.homogeneity == pytest.approx(stats.levene(*parts, center="median").pvalue)
    assert found.homogeneity < 0.01


def test_many_runs_are_solved_by_iteration_to_the_same_numbers(monkeypatch):
    from stanch.verify.wells import blocks

    y, s, w, r = _table(11, samples=30, lost=9)
    plain = well_bias(y, s, w, run=r)
    monkeypatch.setattr(blocks, "DIRECT", 0)
    other = well_bias(y, s, w, run=r)
    for a, b in zip(plain.wells, other.wells):
        assert (b.bias.value, b.bias.low) == pytest.approx((a.bias.value, a.bias.low), rel=1e-9)


def test_sweeping_leaves_what_is_orthogonal_to_both_classes():
    rng = np.random.default_rng(0)
    one, two = rng.integers(0, 6, 40), rng.integers(0, 4, 40)
    left = Blocks(one, two).swept(rng.normal(size=40))
    np.testing.assert_allclose(np.bincount(one, left), 0, atol=1e-10)
    np.testing.assert_allclose(np.bincount(two, left), 0, atol=1e-10)


def test_all_wells_together_need_no_adjustment_but_one_well_apart_does():
    y, s, w, _ = _table(6, samples=8, noise=0.03)
    limits = np.exp(np.linspace(0.02, 0.12, 60))
    states = [well_bias(y, s, w, allowed=float(a)) for a in limits]
    assert [one.outcome == "met" for one in states] == [one.p_all < 0.05 for one in states]
    # Some limits are met by all wells together although not every adjusted statement is.
    assert any(one.outcome == "met" and {b.outcome for b in one.wells} == {"met", "undecided"} for one in states)
    apart = well_bias(np.where(w == "1", 1.3 * y, y), s, w, allowed=1.05)
    assert apart.outcome == "not met"
    assert [b.outcome for b in apart.wells if b.well == "1"] == ["not met"]
