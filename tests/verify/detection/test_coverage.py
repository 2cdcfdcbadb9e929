"""Coverage by simulation, a reduced form of benchmarks/verification_coverage_detection.py."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

PATH = Path(__file__).resolve().parents[3] / "benchmarks" / "verification_coverage_detection.py"
spec = importlib.util.spec_from_file_location("verification_coverage_detection", PATH)
assert spec is not None
assert spec.loader is not None
study: Any = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study
spec.loader.exec_module(study)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["blanks", "censored", "linearity", "lysis"])
def test_intervals_cover(name: str) -> None:
    rows = list(study.STUDIES[name](np.random.default_rng(7), 300))
    assert [row for row in rows if row.verdict not in ("", "ok")] == []


@pytest.mark.slow
def test_the_limit_of_detection_misses_what_it_says() -> None:
    rows = [r for r in study.blanks(np.random.default_rng(8), 200) if "true beta" in r.name]
    assert rows
    # The average over studies differs a little from nominal, since the SD is estimated; never by half of it.
    assert all(0.03 < row.measured < 0.07 for row in rows)


def test_a_wrong_interval_would_be_seen() -> None:
    assert study.judged("x", 1700, 2000, 0.9).verdict.startswith("off")
    assert study.judged("x", 1800, 2000, 0.9).verdict == "ok"
    assert study.judged("x", 200, 2000, 0.05, at_most=True).verdict.startswith("off")
