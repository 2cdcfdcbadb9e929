"""A short version of the coverage study: intervals contain the truth as often as they say."""

import importlib.util
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stanch.verify.intervals import share_interval

FILE = Path(__file__).resolve().parents[3] / "benchmarks" / "verification_coverage_precision.py"
spec = importlib.util.spec_from_file_location("verification_coverage_precision", FILE)
assert spec is not None
assert spec.loader is not None
study: Any = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study
spec.loader.exec_module(study)

SOUND = (
    "20 days x 2 runs x 2, components 1, 0.5, 1",
    "unbalanced: 12 days x about 2 runs x about 3, components 1, 0.5, 1",
    "fresh, 20 donors, log SD 0.03, 0.02, 0.04",
    "contrast, 30 samples in duplicate",
    "variance function, 5 levels, 20 degrees of freedom each",
)


def measured(title: str, runs: int) -> dict[tuple[str, str], int]:
    rng = np.random.default_rng([8, list(study.STUDIES).index(title)])
    hits: dict[tuple[str, str], int] = defaultdict(int)
    for _ in range(runs):
        for hit in study.STUDIES[title](rng):
            hits[hit.quantity, hit.method] += hit.inside
    return hits


@pytest.mark.slow
@pytest.mark.parametrize("title", SOUND)
def test_intervals_hold_what_they_promise(title: str) -> None:
    runs = 400
    for key, inside in measured(title, runs).items():
        # The 99.9 % exact interval of the share, since about thirty are judged.
        share = share_interval(inside, runs, level=0.999)
        assert share.low is not None
        assert share.high is not None
        assert share.low <= 0.97, key
        assert share.high >= 0.95, key


@pytest.mark.slow
def test_few_dominant_groups_need_large_sample_limits() -> None:
    """What the warning of the report says: Satterthwaite is too narrow there, large-sample limits are not."""
    runs = 600
    hits = measured("3 sites x 5 days x 5, components 1, 0.5, 1", runs)
    narrow = share_interval(hits["all", "satterthwaite"], runs, level=0.999)
    better = share_interval(hits["all", "large-sample"], runs, level=0.999)
    assert narrow.high is not None
    assert better.high is not None
    assert narrow.high < 0.95
    assert better.high > 0.95
