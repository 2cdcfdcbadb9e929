"""A reduced version of ``benchmarks/verification_coverage_limits.py``, with exact binomial limits."""

import numpy as np
import pytest
from scipy import special, stats

from stanch.verify.discrimination import area, choose_cutoff, cutoff_uncertainty, marks

RUNS = 400


def people(apart: float, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    return np.concatenate([rng.normal(apart, 1, n), rng.normal(0, 1, n)]), np.arange(2 * n) < n


@pytest.mark.slow
@pytest.mark.parametrize(("truth", "n"), [(0.7, 50), (0.9, 50), (0.97, 100)])
def test_logit_intervals_of_the_area_cover(truth: float, n: int) -> None:
    rng = np.random.default_rng(n)
    apart = float(np.sqrt(2) * special.ndtri(truth))
    logit = 0
    for _ in range(RUNS):
        found = area(marks(*people(apart, n, rng))).area
        assert found.low is not None
        assert found.high is not None
        logit += found.low <= truth <= found.high
    assert stats.binomtest(logit, RUNS, 0.95).pvalue > 1e-3


@pytest.mark.slow
def test_wald_intervals_of_large_areas_are_too_narrow_and_logit_ones_are_not() -> None:
    rng = np.random.default_rng(1)
    apart = float(np.sqrt(2) * special.ndtri(0.97))
    counts = {"wald": 0, "logit": 0}
    for _ in range(RUNS):
        found = marks(*people(apart, 20, rng))
        for kind in counts:
            one = area(found, interval=kind).area
            assert one.low is not None
            assert one.high is not None
            counts[kind] += one.low <= 0.97 <= one.high
    assert stats.binomtest(counts["wald"], RUNS, 0.95, alternative="less").pvalue < 1e-6
    assert stats.binomtest(counts["logit"], RUNS, 0.95, alternative="less").pvalue > 1e-3


@pytest.mark.slow
def test_a_cutoff_of_wanted_sensitivity_is_covered_and_youdens_is_flattered() -> None:
    rng = np.random.default_rng(2)
    truth = 2.0 + float(special.ndtri(0.1))
    hits, apparent, corrected, real = 0, 0.0, 0.0, 0.0
    for _ in range(RUNS):
        found = marks(*people(2.0, 50, rng))
        moved = cutoff_uncertainty(found, "sensitivity", wanted=0.9, draws=20).value
        assert moved.low is not None
        assert moved.high is not None
        hits += moved.low <= truth <= moved.high
        own, fair = choose_cutoff(found), cutoff_uncertainty(found, draws=100)
        apparent += own.sensitivity + own.specificity
        corrected += fair.sensitivity + fair.specificity
        real += float(special.ndtr(2.0 - own.value) + special.ndtr(own.value))
    assert stats.binomtest(hits, RUNS, 0.95, alternative="less").pvalue > 1e-3
    assert abs(corrected - real) < 0.5 * (apparent - real)
