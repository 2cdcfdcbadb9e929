"""Source: NIST Technical Note 1297 (1994), section 6.2, and GUM 4.3.7 (rectangular distribution); see source.toml."""

import csv
import math
import statistics
from pathlib import Path

import numpy as np
import pytest

from stanch.estimate import Estimate

PRINTED = (Path(__file__).parent / "coverage.csv").read_text(encoding="utf-8")
ROWS = [(float(row["k"]), float(row["percent"])) for row in csv.DictReader(PRINTED.splitlines())]
# Samples at equal probabilities stand for the distribution without random error.
PROBABILITY = (np.arange(200_000) + 0.5) / 200_000


@pytest.mark.parametrize(("k", "percent"), ROWS)
def test_the_interval_of_normal_samples_has_the_coverage_factor(k: float, percent: float) -> None:
    quantile = statistics.NormalDist().inv_cdf
    samples = np.array([quantile(p) for p in PROBABILITY[::10]])
    estimate = Estimate.from_samples(samples, "Pa", level=percent / 100)
    assert estimate.low is not None
    assert estimate.high is not None
    half_width = (estimate.high - estimate.low) / 2
    # Half a unit in the last printed digit of the percentage, carried to k.
    tolerance = 0.5 * (0.01 if percent % 1 else 0.5) / 100 / (2 * math.exp(-k * k / 2) / math.sqrt(2 * math.pi))
    assert half_width == pytest.approx(k, abs=max(tolerance, 5e-4))


def test_an_onset_looked_for_every_four_seconds_carries_a_rectangular_term() -> None:
    step = 4.0
    samples = step * (PROBABILITY - 0.5)
    estimate = Estimate.from_samples(samples, "s")
    assert estimate.low is not None
    assert estimate.high is not None
    assert float(np.std(samples)) == pytest.approx(1.1547005, rel=1e-6)
    # 95 % of a rectangle of half-width a is 0.95 a, that is 1.6454 standard uncertainties and not 1.96.
    assert (estimate.high - estimate.low) / 2 / (step / math.sqrt(12)) == pytest.approx(0.95 * math.sqrt(3), rel=1e-4)
