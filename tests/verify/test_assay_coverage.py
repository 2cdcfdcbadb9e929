"""A reduced coverage study of the assay-specific protocols; ``benchmarks`` holds the full one."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

PATH = Path(__file__).resolve().parents[2] / "benchmarks" / "verification_coverage_assay.py"


def _study():
    spec = importlib.util.spec_from_file_location("verification_coverage_assay", PATH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


STUDY = _study()
RUNS = 60
CASES = (*STUDY.CASES, *(case for case in STUDY.HOLD_CASES if case.name.startswith("hold, 20 donors x 2, 25 % open")))


@pytest.mark.slow
@pytest.mark.parametrize("place", range(len(CASES)), ids=[case.name for case in CASES])
def test_the_rate_is_the_stated_one(place):
    case = CASES[place]
    hits, runs = case.counted(RUNS, np.random.default_rng([7, place]))
    assert runs > RUNS / 2
    side = {"exact": "two-sided", "at least": "less", "at most": "greater"}[case.kind]
    assert stats.binomtest(hits, runs, case.nominal, alternative=side).pvalue > 1e-4


@pytest.mark.slow
def test_a_study_without_coverage_is_seen():
    case = STUDY.Case("never", 0.95, "exact", lambda rng: False)
    assert STUDY.judged(case, 0, 100)[1] == "OFF"
    assert STUDY.judged(case, 95, 100)[1] == "ok"
