"""Precision against SciPy, statsmodels and NumPy on random data, run live."""

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
from statsmodels.stats.anova import anova_lm

from stanch.verify.precision import ERROR, crossed_anova, intraclass, nested_anova, within_subject_correlation

SEEDS = st.integers(0, 2**20)
LIVE = settings(max_examples=12, deadline=None, derandomize=True)


def nested_data(seed: int, *, balanced: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    days = 8
    runs = np.full(days, 3) if balanced else rng.integers(1, 5, days)
    runs[0] = 3
    day = np.repeat(np.arange(days), runs)
    n = np.full(day.size, 3) if balanced else rng.integers(1, 5, day.size)
    n[0] = 3
    day, run = np.repeat(day, n), np.repeat(np.arange(day.size), n)
    y = 50 + 2 * rng.normal(size=days)[day] + 1.5 * rng.normal(size=run.max() + 1)[run] + rng.normal(size=day.size)
    return y, day, run


def quiet_fit(model: MixedLM) -> object:
    # statsmodels warns on the way to optima close to an edge; the comparison below judges the result.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return model.fit(reml=True, method=["bfgs", "lbfgs", "powell"])


@given(SEEDS)
@LIVE
def test_one_way_against_f_oneway(seed: int) -> None:
    rng = np.random.default_rng(seed)
    groups = [rng.normal(rng.normal(), 1, rng.integers(2, 9)) for _ in range(5)]
    found = nested_anova(
        np.concatenate(groups), {"group": np.repeat(np.arange(5), [g.size for g in groups])}, reml=False
    )
    f, p = stats.f_oneway(*groups)
    assert found["group"].ms / found[ERROR].ms == pytest.approx(f, rel=1e-10)
    assert stats.f.sf(f, found["group"].df, found[ERROR].df) == pytest.approx(p, rel=1e-9)


@given(SEEDS, st.booleans())
@LIVE
def test_nested_sums_of_squares_against_anova_lm(seed: int, balanced: bool) -> None:
    y, day, run = nested_data(seed, balanced=balanced)
    found = nested_anova(y, {"day": day, "run": run}, reml=False)
    frame = pd.DataFrame({"y": y, "day": day, "run": run})
    outer = anova_lm(ols("y ~ C(day)", frame).fit())
    inner = anova_lm(ols("y ~ C(run)", frame).fit())
    assert found["day"].ss == pytest.approx(outer["sum_sq"].iloc[0], rel=1e-8)
    assert found["run"].ss == pytest.approx(inner["sum_sq"].iloc[0] - outer["sum_sq"].iloc[0], rel=1e-7)
    assert found[ERROR].ss == pytest.approx(inner["sum_sq"].iloc[1], rel=1e-8)
    assert found[ERROR].df == inner["df"].iloc[1]


@given(SEEDS)
@settings(max_examples=6, deadline=None, derandomize=True)
def test_nested_reml_against_mixedlm(seed: int) -> None:
    y, day, run = nested_data(seed, balanced=False)
    found = nested_anova(y, {"day": day, "run": run})
    assert found.reml is not None
    labels = [[f"{r}" for r in np.unique(run[day == d])] for d in range(8)]
    design = [(run[day == d][:, None] == np.unique(run[day == d])[None]).astype(float) for d in range(8)]
    model = MixedLM(
        y, np.ones((y.size, 1)), groups=day, exog_re=np.ones((y.size, 1)), exog_vc=VCSpec(["run"], [labels], [design])
    )
    fit = quiet_fit(model)
    theirs = np.array([fit.cov_re[0, 0], fit.vcomp[0], fit.scale])  # type: ignore[attr-defined]
    # Both are maxima of the same function: ours is as high, and where theirs converged the components agree.
    if min(theirs) > 1e-3:
        assert found.reml == pytest.approx(theirs, rel=3e-3, abs=1e-3)


@given(SEEDS)
@settings(max_examples=6, deadline=None, derandomize=True)
def test_crossed_reml_against_mixedlm(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 120
    p, o = rng.integers(0, 9, n), rng.integers(0, 6, n)
    y = 10 + 2 * rng.normal(size=9)[p] + 1.5 * rng.normal(size=6)[o] + rng.normal(size=(9, 6))[p, o]
    y += 0.7 * rng.normal(size=n)
    found = crossed_anova(y, {"part": p, "operator": o})
    assert found.reml is not None
    cell = np.unique(p * 6 + o, return_inverse=True)[1]
    parts = [np.equal.outer(c, np.unique(c)).astype(float) for c in (p, o, cell)]
    names = [[[str(i) for i in range(m.shape[1])]] for m in parts]
    model = MixedLM(
        y, np.ones((n, 1)), groups=np.zeros(n), exog_vc=VCSpec(["p", "o", "po"], names, [[m] for m in parts])
    )
    fit = quiet_fit(model)
    theirs = np.array([*fit.vcomp, fit.scale])  # type: ignore[attr-defined]
    if min(theirs) > 1e-3:
        assert found.reml == pytest.approx(theirs, rel=3e-3, abs=1e-3)


@given(SEEDS)
@LIVE
def test_balanced_cross_against_anova_lm(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p, o = np.repeat(np.arange(5), 6), np.tile(np.repeat(np.arange(3), 2), 5)
    y = rng.normal(size=5)[p] + rng.normal(size=3)[o] + rng.normal(size=30)
    found = crossed_anova(y, {"part": p, "operator": o}, reml=False)
    table = anova_lm(ols("y ~ C(p) * C(o)", pd.DataFrame({"y": y, "p": p, "o": o})).fit())
    assert [s.ss for s in found.strata] == pytest.approx(list(table["sum_sq"]), rel=1e-9, abs=1e-10)
    assert [s.df for s in found.strata] == [int(d) for d in table["df"]]


@given(SEEDS)
@LIVE
def test_within_subject_correlation_against_least_squares(seed: int) -> None:
    rng = np.random.default_rng(seed)
    subject = np.repeat(np.arange(5), rng.integers(2, 7, 5))
    x = rng.normal(size=subject.size) + subject
    y = rng.normal() * x + rng.normal(size=5)[subject] + rng.normal(size=subject.size)
    found = within_subject_correlation(x, y, subject)
    fit = ols("y ~ C(s) + x", pd.DataFrame({"x": x, "y": y, "s": subject})).fit()
    assert found.slope == pytest.approx(fit.params["x"], rel=1e-8, abs=1e-9)
    assert found.f == pytest.approx(fit.tvalues["x"] ** 2, rel=1e-7, abs=1e-9)
    assert found.p == pytest.approx(fit.pvalues["x"], rel=1e-6, abs=1e-12)
    assert found.df == fit.df_resid


@given(SEEDS)
@LIVE
def test_intraclass_one_way_is_the_share_of_the_variance_between(seed: int) -> None:
    rng = np.random.default_rng(seed)
    target, reader = np.repeat(np.arange(7), 4), np.tile(np.arange(4), 7)
    y = rng.normal(size=7)[target] + rng.normal(size=28)
    table = anova_lm(ols("y ~ C(t)", pd.DataFrame({"y": y, "t": target})).fit())
    between, within = table["mean_sq"]
    assert intraclass(y, target, reader).one_way.value == pytest.approx(
        (between - within) / (between + 3 * within), rel=1e-9, abs=1e-12
    )
