"""Coverage of the 95 % intervals of readings and contrasts, a reduced run of the study in ``benchmarks``.

Each run of 20 samples is held against exact binomial limits at p = 0.001: gross faults fail here, the study of
1000 runs finds the small ones.
"""

import importlib.util
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[2] / "benchmarks" / "interval_coverage.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("interval_coverage_study", STUDY)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.mark.slow
@pytest.mark.parametrize(("speckle", "seed"), [("fresh", 101), ("frozen", 102)])
def test_no_interval_is_refuted(study, speckle, seed):
    table = study.study(20, speckle, interval=15.0, seed=seed)
    refuted = {}
    for name, tally in table.items():
        assert tally.covered, name
        p = study.p_value(sum(tally.covered), len(tally.covered))
        if p < 0.001:
            refuted[name] = (sum(tally.covered), len(tally.covered))
    assert not refuted


def test_the_study_refutes_intervals_that_are_half_as_wide(study):
    assert study.p_value(0, 0) == 1.0
    assert study.p_value(41, 60) < 0.001
    assert study.p_value(49, 60) < 0.001
    assert study.p_value(51, 60) > 0.001
