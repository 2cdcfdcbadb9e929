"""Nested designs: exact values, invariances, awkward data."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.precision import ERROR, degrees_at, nested_anova, one_way_from_summaries
from stanch.verify.precision.factors import nesting
from stanch.verify.precision.nested_reml import residual_deviance

DAY = ["a"] * 4 + ["b"] * 4
RUN = [1, 1, 2, 2] * 2
Y = [1.0, 3.0, 5.0, 7.0, 11.0, 13.0, 21.0, 23.0]


def ragged(seed: int, days: int = 6) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    runs = rng.integers(1, 4, days)
    runs[0] = 3
    day = np.repeat(np.arange(days), runs)
    n = rng.integers(1, 5, day.size)
    n[0] = 3
    day, run = np.repeat(day, n), np.repeat(np.arange(day.size), n)
    y = 10 + rng.normal(size=days)[day] + 0.7 * rng.normal(size=run.max() + 1)[run] + 0.5 * rng.normal(size=day.size)
    return y, {"day": day, "run": run}


def test_a_balanced_design_by_hand() -> None:
    found = nested_anova(Y, {"day": DAY, "run": RUN})
    # Run means 2, 6, 12, 22; day means 4, 17; grand mean 10.5.
    assert [s.df for s in found.strata] == [1, 2, 4]
    assert [s.ss for s in found.strata] == pytest.approx([8 * 6.5**2, 4 * (2**2 + 5**2), 8.0], rel=1e-14)
    assert [s.raw for s in found.strata] == pytest.approx([(338 - 58) / 4, (58 - 2) / 2, 2.0], rel=1e-14)
    assert found["day"].coefficients == pytest.approx((4, 2, 1))
    assert found.mean == 10.5
    assert found.groups == (2, 4)
    assert found.balanced
    total = found.total()
    assert total.variance == pytest.approx(70 + 28 + 2)
    by_hand = (338 / 4) ** 2 / 1 + (58 / 4) ** 2 / 2 + (2 / 2) ** 2 / 4
    assert total.df == pytest.approx(100**2 / by_hand, rel=1e-13)
    assert total.cv.value == pytest.approx(10 / 10.5)
    assert found.reml == pytest.approx([70, 28, 2])


def test_a_component_below_zero_is_kept_raw_and_counts_as_zero() -> None:
    found = nested_anova([1.0, 5.0, 1.5, 4.5, 1.2, 4.9], {"day": [1, 1, 2, 2, 3, 3]})
    assert found["day"].raw < 0
    assert found["day"].variance == 0
    total = found.total()
    assert total.dropped == ("day",)
    assert total.variance == found[ERROR].variance
    assert total.df == pytest.approx(3)
    assert found.reml is not None
    # The day at zero, all results are one sample.
    assert found.reml == pytest.approx([0.0, np.var([1.0, 5.0, 1.5, 4.5, 1.2, 4.9], ddof=1)], rel=1e-6)


@given(st.integers(0, 10_000), st.sampled_from([1e-12, 1e-3, 1.0, 1e12]), st.sampled_from([0.0, 1.0, 1e6]))
@settings(max_examples=9, deadline=None, derandomize=True)
def test_shift_and_unit_change_nothing_else(seed: int, unit: float, shift: float) -> None:
    y, factors = ragged(seed)
    one = nested_anova(y, factors)
    other = nested_anova((y + shift) * unit, factors)
    tight = 1e-9 if shift < 1e6 else 1e-5
    assert [s.raw / unit**2 for s in other.strata] == pytest.approx([s.raw for s in one.strata], rel=tight, abs=tight)
    assert other.total().df == pytest.approx(one.total().df, rel=tight)
    assert one.reml is not None
    assert other.reml is not None
    assert np.array(other.reml) / unit**2 == pytest.approx(np.array(one.reml), rel=1e-5, abs=1e-7)


@given(st.integers(0, 10_000))
@settings(max_examples=6, deadline=None, derandomize=True)
def test_order_of_rows_and_names_of_groups_do_not_matter(seed: int) -> None:
    y, factors = ragged(seed)
    order = np.random.default_rng(seed).permutation(y.size)
    renamed = {name: np.array([f"{name} {99 - g:02d}" for g in column])[order] for name, column in factors.items()}
    one, other = nested_anova(y, factors), nested_anova(y[order], renamed)
    assert [s.ss for s in other.strata] == pytest.approx([s.ss for s in one.strata], rel=1e-11)
    assert other.covariance == pytest.approx(one.covariance, rel=1e-9, abs=1e-12)
    assert other.reml == pytest.approx(one.reml, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_expectations_and_scatter_against_dense_matrices(seed: int) -> None:
    y, factors = ragged(seed)
    found = nested_anova(y, factors, reml=False)
    same = [np.equal.outer(c, c).astype(float) for c in factors.values()] + [np.eye(y.size)]
    project = [np.full((y.size, y.size), 1 / y.size)] + [z / z.sum(1)[:, None] for z in same]
    forms = [project[k + 1] - project[k] for k in range(3)]
    v = sum(s.raw * z for s, z in zip(found.strata, same, strict=True))
    assert [s.ss for s in found.strata] == pytest.approx([y @ a @ y for a in forms], rel=1e-9)
    for s, a in zip(found.strata, forms, strict=True):
        assert np.array(s.coefficients) * s.df == pytest.approx([np.sum(a * z) for z in same], abs=1e-9)
    dense = np.array([[2 * np.trace(a @ v @ b @ v) for b in forms] for a in forms])
    assert found.covariance == pytest.approx(dense, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("ratios", [(0.0, 0.0), (0.3, 0.0), (2.0, 1.5), (1e6, 1e-6)])
def test_the_residual_likelihood_against_dense_matrices(ratios: tuple[float, float]) -> None:
    y, factors = ragged(3)
    tree = nesting(factors, y.size)
    mean = tree.cell_sums(y) / tree.counts[-1]
    within = float(np.sum((y[tree.order] - np.repeat(mean, tree.counts[-1])) ** 2))
    gamma = np.array(ratios)
    found, gradient, error = residual_deviance(gamma, within, mean, tree)

    def dense(g: np.ndarray) -> tuple[float, float]:
        v = np.eye(y.size) + sum(r * np.equal.outer(c, c) for r, c in zip(g, factors.values(), strict=True))
        inverse, one = np.linalg.inv(v), np.ones(y.size)
        a = one @ inverse @ one
        spread = y @ inverse @ y - (one @ inverse @ y) ** 2 / a
        return np.linalg.slogdet(v)[1] + math.log(a) + (y.size - 1) * math.log(spread), spread / (y.size - 1)

    tight = 1e-9 if max(ratios) < 1e3 else 1e-5
    assert found == pytest.approx(dense(gamma)[0], rel=tight)
    assert error == pytest.approx(dense(gamma)[1], rel=tight)
    if max(ratios) < 1e3:
        for k in range(2):
            step = np.zeros(2)
            step[k] = 1e-6
            slope = (dense(gamma + step)[0] - dense(gamma - step)[0]) / 2e-6
            assert gradient[k] == pytest.approx(slope, rel=1e-4, abs=1e-4)


def test_planned_degrees_are_those_of_the_analysis_and_of_the_formula() -> None:
    day = np.repeat(np.arange(5), 5)
    # Mean squares 5 a + e with 4, and e with 20 degrees of freedom; total (MSd + 4 MSe)/5.
    a, e = 0.7, 1.3
    expected = (a + e) ** 2 / (((5 * a + e) / 5) ** 2 / 4 + (4 * e / 5) ** 2 / 20)
    assert degrees_at({"day": day}, [a, e]) == pytest.approx(expected, rel=1e-12)
    assert degrees_at({"day": day}, [a, e], [ERROR]) == pytest.approx(20)
    y, factors = ragged(1)
    found = nested_anova(y, factors, reml=False)
    if all(s.raw > 0 for s in found.strata):
        assert degrees_at(factors, [s.raw for s in found.strata]) == pytest.approx(found.total().df, rel=1e-9)


def test_balanced_degrees_agree_with_the_general_formula() -> None:
    rng = np.random.default_rng(5)
    day, run = np.repeat(np.arange(8), 6), np.tile([1, 1, 1, 2, 2, 2], 8)
    y = rng.normal(size=48) + 2 * rng.normal(size=8)[day] + rng.normal(size=(8, 3))[day, run]
    found = nested_anova(y, {"day": day, "run": run}, reml=False)
    assert all(s.raw > 0 for s in found.strata)
    by_ss = np.ones(3) @ found.from_ss
    assert found.total().df == pytest.approx(
        2 * found.total().variance ** 2 / (by_ss @ found.covariance @ by_ss), rel=1e-10
    )


def test_summaries_give_the_same_as_single_results() -> None:
    rng = np.random.default_rng(2)
    n = np.array([3, 5, 2, 4])
    y = 1e6 + rng.normal(size=n.sum()) + rng.normal(size=4)[np.repeat(np.arange(4), n)]
    parts = np.split(y, np.cumsum(n)[:-1])
    whole = nested_anova(y, {"group": np.repeat(np.arange(4), n)}, reml=False)
    short = one_way_from_summaries([p.mean() for p in parts], [p.std(ddof=1) for p in parts], n)
    assert [s.raw for s in short.strata] == pytest.approx([s.raw for s in whole.strata], rel=1e-8)
    assert short.mean == pytest.approx(whole.mean, rel=1e-14)


@pytest.mark.parametrize("value", [5.0, 0.1, 1e12, -1e-12, 0.0])
def test_equal_results_are_zero_and_never_rounding(value: float) -> None:
    found = nested_anova([value] * 12, {"day": [1, 1, 1, 2, 2, 2] * 2})
    assert [s.ss for s in found.strata] == [0.0, 0.0]
    assert found.reml == (0.0, 0.0)
    assert found.mean == value
    total = found.total()
    assert (total.sd.value, total.sd.low, total.sd.high, total.df) == (0.0, None, None, None)
    assert total.sd.why


def test_replicates_that_agree_leave_only_the_days() -> None:
    found = nested_anova([1.0, 1.0, 2.0, 2.0, 4.0, 4.0], {"day": [1, 1, 2, 2, 3, 3]})
    assert found[ERROR].variance == 0
    assert found["day"].raw == pytest.approx(np.var([1, 2, 4], ddof=1))
    assert found.reml is None
    assert "no maximum" in found.reml_note
    assert found.total([ERROR]).sd.value == 0


def test_three_results_without_factors() -> None:
    found = nested_anova([1.0, 2.0, 4.0], {})
    assert found.total().sd.value == pytest.approx(np.std([1, 2, 4], ddof=1))
    assert found.total().df == pytest.approx(2)


@pytest.mark.parametrize(
    ("values", "factors", "words"),
    [
        ([1.0, 2.0], {"day": [1, 2]}, "at least 3"),
        ([1.0, 2.0, 3.0], {"day": [1, 2, 3]}, "one result in each"),
        ([1.0, 2.0, 3.0, 4.0], {"day": [1, 1, 1, 1]}, "one group"),
        ([1.0, 2.0, 3.0, 4.0], {"day": [1, 1, 2, 2], "run": ["x", "x", "x", "x"]}, "one group"),
        ([1.0, 2.0, 3.0, float("nan")], {"day": [1, 1, 2, 2]}, "not finite"),
        ([1.0, 2.0, 3.0, 4.0], {"day": [1, 1, 2]}, "one for each result"),
        ([1.0, 2.0, 3.0, 4.0], {"error": [1, 1, 2, 2]}, "any other name"),
        ([-1.7e308, 1.7e308, 3.0, 4.0], {"day": [1, 1, 2, 2]}, "another unit"),
        ([1e-80, 2e-80, 3e-80, 5e-80], {"day": [1, 1, 2, 2]}, "another unit"),
    ],
)
def test_what_cannot_be_told_is_refused(values: list[float], factors: dict[str, list[object]], words: str) -> None:
    with pytest.raises(InputError, match=words):
        nested_anova(values, factors)


def test_unknown_parts_and_intervals_are_refused() -> None:
    found = nested_anova(Y, {"day": DAY, "run": RUN})
    with pytest.raises(InputError, match="component"):
        found.total(["week"])
    with pytest.raises(InputError, match="interval"):
        found.total(interval="bayes")  # type: ignore[arg-type]


def test_large_sample_limits_of_one_mean_square_are_exact() -> None:
    found = nested_anova(Y, {"day": DAY, "run": RUN})
    one, other = found.total([ERROR]), found.total([ERROR], interval="large-sample")
    assert (other.sd.low, other.sd.high) == pytest.approx((one.sd.low, one.sd.high), rel=1e-12)
    assert other.upper == pytest.approx(one.upper, rel=1e-12)


def test_large_sample_limits_of_a_sum_by_hand() -> None:
    found = nested_anova([1.0, 2.0, 4.0, 5.0, 9.0, 9.5], {"day": [1, 1, 2, 2, 3, 3]})
    from scipy.stats import chi2

    parts = [(found["day"].ms / 2, 2), (found[ERROR].ms / 2, 3)]
    total = sum(m for m, _ in parts)
    low = total - math.sqrt(sum(((1 - d / chi2.ppf(0.975, d)) * m) ** 2 for m, d in parts))
    high = total + math.sqrt(sum(((d / chi2.ppf(0.025, d) - 1) * m) ** 2 for m, d in parts))
    sd = found.total(interval="large-sample").sd
    assert (sd.low, sd.high) == pytest.approx((math.sqrt(low), math.sqrt(high)), rel=1e-10)


def test_a_mean_at_or_below_zero_has_no_coefficient_of_variation() -> None:
    found = nested_anova([-1.0, 1.0, -2.0, 2.0], {"day": [1, 1, 2, 2]})
    assert found.total().cv.value is None
    assert "above zero" in found.total().cv.why


def test_four_levels_deep() -> None:
    rng = np.random.default_rng(0)
    rows = np.indices((3, 3, 2, 2, 2)).reshape(5, -1)
    names = ("site", "lot", "day", "run")
    y = rng.normal(size=rows.shape[1])
    found = nested_anova(y, dict(zip(names, rows[:4], strict=True)))
    assert [s.df for s in found.strata] == [2, 6, 9, 18, 36]
    assert sum(s.ss for s in found.strata) == pytest.approx(np.sum((y - y.mean()) ** 2))


def test_many_rows_are_not_refused() -> None:
    rng = np.random.default_rng(1)
    n = 200_000
    day = rng.integers(0, 9000, n)
    run = rng.integers(0, 4, n)
    y = rng.normal(size=n) + rng.normal(size=9000)[day] + 0.5 * rng.normal(size=(9000, 4))[day, run]
    found = nested_anova(y, {"day": day, "run": run})
    assert [s.raw for s in found.strata] == pytest.approx([1, 0.25, 1], rel=0.06)
    assert found.reml == pytest.approx([1, 0.25, 1], rel=0.06)
