"""Powers against simulation of the very analysis, against hand-worked cases, and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from stanch.errors import InputError
from stanch.verify.agreement import deming
from stanch.verify.design import (
    agreement_power,
    area_power,
    detection_within,
    equivalence_power,
    linearity_passes,
    linearity_power,
    nested_passes,
    passing_bablok_passes,
    prediction_passes,
    readings_power,
    sd_power,
    sd_ratio_limit,
    share_half_width,
    slope_power,
    slope_sd,
    smallest,
    solve,
    wells_passes,
)
from stanch.verify.equivalence import paired, unpaired
from stanch.verify.linearity import deviation_of_means
from stanch.verify.precision import nested_anova
from stanch.verify.wells import well_bias

REPEATS = 3000


def near(found: float, passed: int, repeats: int = REPEATS) -> bool:
    """Whether a power lies in the exact interval of simulated successes, missed once in ten thousand."""
    interval = stats.binomtest(passed, repeats).proportion_ci(0.9999)
    return bool(interval.low <= found <= interval.high)


@pytest.mark.parametrize(("n", "difference", "margin"), [(5, 0.0, 1.5), (12, 0.4, 1.0), (3, 0.2, 2.0), (60, 0.1, 0.4)])
def test_equivalence_of_pairs_as_the_analysis_decides(n, difference, margin) -> None:
    rng = np.random.default_rng(n)
    x = difference + rng.standard_normal((REPEATS, n))
    zero = np.zeros(n)
    passed = sum(paired(zero, row, lower=-margin, upper=margin).outcome == "met" for row in x)
    assert near(equivalence_power(n, margin=margin, sd=1.0, difference=difference), passed)


def test_equivalence_of_two_groups() -> None:
    rng = np.random.default_rng(8)
    x, y = rng.standard_normal((2, REPEATS, 12))
    passed = sum(
        unpaired(a, b, lower=-1.0, upper=1.0, pooled=True).outcome == "met" for a, b in zip(x, y + 0.2, strict=True)
    )
    assert near(equivalence_power(12, margin=1.0, sd=1.0, difference=0.2, groups="two"), passed)


def test_equivalence_has_its_error_at_the_margin() -> None:
    # At the margin itself the power is the error of one test, once there are samples enough.
    assert equivalence_power(400, margin=1.0, sd=1.0, difference=1.0) == pytest.approx(0.05, abs=1e-9)
    assert equivalence_power(3, margin=1.0, sd=1.0, difference=1.0) < 0.05
    assert equivalence_power(2, margin=1.0, sd=1e-9) == pytest.approx(1.0)
    assert equivalence_power(3, margin=1e-9, sd=1.0) == pytest.approx(0.0, abs=1e-12)
    assert equivalence_power(1, margin=1.0, sd=1.0) == 0.0


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_power_does_not_depend_on_the_unit(scale) -> None:
    one = equivalence_power(12, margin=1.0, sd=0.9, difference=0.2)
    assert equivalence_power(12, margin=scale, sd=0.9 * scale, difference=0.2 * scale) == pytest.approx(one, rel=1e-10)


@pytest.mark.parametrize(("n", "bias", "allowed"), [(59, 0.5, 7.0), (20, 0.0, 8.0)])
def test_limits_of_agreement(n, bias, allowed) -> None:
    rng = np.random.default_rng(2)
    x = bias + 2.5 * rng.standard_normal((REPEATS, n))
    mean, s = x.mean(axis=1), x.std(axis=1, ddof=1)
    z, t = stats.norm.ppf(0.975), stats.t.ppf(0.975, n - 1)
    reach = s * (z + t * math.sqrt(1 / n + z * z / (2 * (n - 1))))
    passed = int(((mean + reach < allowed) & (mean - reach > -allowed)).sum())
    assert near(agreement_power(n, bias=bias, sd=2.5, allowed=allowed), passed)


def test_linearity_at_the_middle_level() -> None:
    levels, replicates, rng = 5, 4, np.random.default_rng(3)
    y = rng.standard_normal((REPEATS, levels, replicates))
    x = np.arange(levels) - 2.0
    mean = y.mean(axis=2)
    line = mean.mean(axis=1, keepdims=True) + (mean @ x / (x @ x))[:, None] * x
    s = np.sqrt(((y - mean[:, :, None]) ** 2).sum(axis=(1, 2)) / (levels * (replicates - 1)))
    half = stats.t.ppf(0.95, levels * (replicates - 1)) * s * math.sqrt((1 - 1 / levels) / replicates)
    passed = int((np.abs((mean - line)[:, 2]) + half < 1.2).sum())
    assert near(linearity_power(replicates, levels=levels, sd=1.0, allowed=1.2), passed)


def test_readings() -> None:
    x = np.random.default_rng(4).standard_normal((REPEATS, 8))
    passed = int((stats.t.ppf(0.975, 7) * x.std(axis=1, ddof=1) / math.sqrt(8) <= 0.9).sum())
    assert near(readings_power(8, sd=1.0, allowed=0.9), passed)


def test_the_standard_error_of_a_deming_slope() -> None:
    n, rng, slopes = 60, np.random.default_rng(5), []
    for _ in range(600):
        true = 5 * rng.standard_normal(n)
        slopes.append(deming(true + rng.standard_normal(n), true + rng.standard_normal(n)).b)
    # The standard deviation of 600 values is known to 3 %.
    assert np.std(slopes) == pytest.approx(slope_sd(n, range_sd=5, sd_x=1, sd_y=1), rel=0.1)
    assert slope_power(60, allowed=0.15, range_sd=5, sd_x=1, sd_y=1) > slope_power(
        40, allowed=0.15, range_sd=5, sd_x=1, sd_y=1
    )
    assert slope_power(2, allowed=0.15, range_sd=5, sd_x=1, sd_y=1) == 0


def test_a_standard_deviation() -> None:
    # Without anything to spare, the limit is kept with the error alone.
    assert sd_power(12, sd=1.0, allowed=1.0) == pytest.approx(0.05)
    assert sd_ratio_limit(10, confidence=0.95) == pytest.approx(math.sqrt(10 / 3.940299), rel=1e-6)


def test_a_shift_beyond_three_deviations() -> None:
    # Mean run length of a 3 s rule: 370.4 without a shift, 43.9 with one of 1 s (common practice, no source).
    assert 1 / detection_within(1, shift=0.0, limit=3.0) == pytest.approx(370.4, abs=0.1)
    assert 1 / detection_within(1, shift=1.0, limit=3.0) == pytest.approx(43.9, abs=0.1)
    assert detection_within(3, shift=2.0, limit=3.0, per_run=2) == detection_within(6, shift=2.0, limit=3.0)


def test_area_without_a_difference_is_refused_and_more_samples_show_more() -> None:
    assert area_power(100, area=0.85, claimed=0.75) > area_power(50, area=0.85, claimed=0.75)
    with pytest.raises(InputError, match="area"):
        area_power(50, area=0.7, claimed=0.75)


def test_simulated_studies_agree_with_their_limiting_cases() -> None:
    # Two wells: one comparison, of half the difference of pairs.
    passed = wells_passes(10, wells=2, sd=1.0, margin=0.6, repeats=REPEATS, seed=2)
    assert near(equivalence_power(10, margin=0.6, sd=math.sqrt(0.5)), passed)
    # Many curves: the prediction error is the scatter.
    passed = prediction_passes(300, sd=0.1, range_sd=1.0, allowed=0.112, repeats=REPEATS, seed=3)
    assert passed / REPEATS == pytest.approx(sd_power(298, sd=0.1, allowed=0.112), abs=0.05)
    passed = passing_bablok_passes(50, sd=1.0, range_sd=5.0, allowed=0.15, repeats=200, seed=4)
    assert passed / 200 == pytest.approx(slope_power(50, allowed=0.15, range_sd=5, sd_x=1, sd_y=1), abs=0.12)


def test_nested_studies_as_the_analysis_decides() -> None:
    rng, runs, repeats, passed = np.random.default_rng(9), 8, 400, 0
    run = np.repeat(np.arange(runs).astype(str), 3)
    for _ in range(repeats):
        y = np.repeat(0.5 * rng.standard_normal(runs), 3) + rng.standard_normal(3 * runs)
        total = nested_anova(y, {"run": run}, reml=False).total(level=0.9)
        assert total.sd.high is not None
        passed += total.sd.high <= 1.6
    found = nested_passes(runs, replicates=3, sd=1.0, between=0.5, allowed=1.6, repeats=20_000, seed=1)
    assert 0.3 < found / 20_000 < 0.9
    assert near(found / 20_000, passed, repeats)


def test_the_same_seed_gives_the_same_study() -> None:
    runs = [wells_passes(6, wells=6, sd=1.0, margin=1.2, repeats=500, seed=s) for s in (1, 1, 2)]
    assert runs[0] == runs[1] != runs[2]


def test_too_small_a_study_shows_nothing() -> None:
    assert nested_passes(1, replicates=2, sd=1.0, between=1.0, allowed=9.0) == 0
    assert wells_passes(1, wells=6, sd=1.0, margin=9.0) == 0
    assert prediction_passes(3, sd=1.0, range_sd=1.0, allowed=9.0) == 0
    assert passing_bablok_passes(4, sd=1.0, range_sd=1.0, allowed=9.0) == 0


def test_search() -> None:
    assert smallest(lambda n: n / 1000, 0.5) == 500
    assert smallest(lambda _n: 0.1, 0.5, most=1000) is None
    assert smallest(lambda _n: 0.9, 0.5, start=7) == 7
    assert solve(lambda n: n / (n + 1), 0.9, start=1.0) == pytest.approx(9.0)
    assert solve(lambda _n: 0.1, 0.5, start=1.0, most=100) is None
    with pytest.raises(InputError, match="power"):
        smallest(lambda n: n / 1000, 1.0)


def test_half_width_of_a_share() -> None:
    interval = stats.binomtest(45, 50).proportion_ci(0.95)
    assert share_half_width(50, true=0.9) == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)


def test_linearity_and_wells_are_planned_as_their_protocols_decide() -> None:
    rng, repeats = np.random.default_rng(12), 400
    x, straight, alike = np.repeat(np.arange(5.0), 3), 0, 0
    sample, well = np.repeat(np.arange(6), 6).astype(str), np.tile(np.arange(6), 6).astype(str)
    for _ in range(repeats):
        y = 10 + x + 0.2 * (x - 2) ** 2 + rng.standard_normal(15)
        straight += deviation_of_means(x, y, absolute=1.6, confidence=0.9).outcome == "met"
        y = np.repeat(rng.normal(0, 3, 6), 6) + rng.standard_normal(36)
        alike += well_bias(y, sample, well, allowed=1.1, scale="difference").outcome == "met"
    # 0.2 (x - 2)^2 less its mean reaches 0.4 at the ends and in the middle.
    found = linearity_passes(3, levels=5, sd=1.0, allowed=1.6, difference=0.4, repeats=REPEATS, seed=5)
    assert 0.2 < found / REPEATS < 0.8
    assert near(found / REPEATS, straight, repeats)
    found = wells_passes(6, wells=6, sd=1.0, margin=1.1, repeats=REPEATS, seed=5)
    assert 0.1 < found / REPEATS < 0.9
    assert near(found / REPEATS, alike, repeats)
    # All levels at once are harder to show than the middle one.
    middle = linearity_power(3, levels=5, sd=1.0, allowed=1.3)
    assert linearity_passes(3, levels=5, sd=1.0, allowed=1.3, repeats=REPEATS) / REPEATS < 0.7 * middle
    assert linearity_passes(1, levels=5, sd=1.0, allowed=1.3) == 0
