"""Intervals of budgets hold the truth as often as they say (reduced study)."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest
from scipy import stats

BENCHMARK = Path(__file__).resolve().parents[3] / "benchmarks" / "verification_coverage_budget.py"


@pytest.mark.slow
def test_coverage() -> None:
    spec = importlib.util.spec_from_file_location("verification_coverage_budget", BENCHMARK)
    assert spec is not None
    assert spec.loader is not None
    study = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = study
    spec.loader.exec_module(study)
    runs = 400
    held = study.coverage(runs, 3, 0.95, 1000, report=lambda _line: None)
    assert len(held) == 9
    for name, count in held.items():
        # Each of nine studies is outside once in ten thousand; random trials with t inputs may be too wide.
        assert stats.binom.cdf(count, runs, 0.95) > 1e-4, name
        if name.endswith("first order"):
            assert stats.binom.sf(count - 1, runs, 0.95) > 1e-4, name
