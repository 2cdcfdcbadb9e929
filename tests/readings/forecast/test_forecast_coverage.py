"""Coverage of forecasts, a reduced run of the study in ``benchmarks``: gross faults fail here."""

import importlib.util
import sys
from pathlib import Path

import pytest
from scipy.stats import binomtest

from stanch.readings.forecast.store import shipped_prior

STUDY = Path(__file__).parents[3] / "benchmarks" / "forecast_coverage.py"


@pytest.mark.slow
@pytest.mark.parametrize("population", ["like", "other blood", "other model"])
def test_no_interval_is_refuted_on_patients_that_the_prior_never_saw(population):
    spec = importlib.util.spec_from_file_location("forecast_coverage_study", STUDY)
    study = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = study
    spec.loader.exec_module(study)
    rows = [row for row in study.coverage(2, 501, population, shipped_prior()) if row[3] == "all"]
    # Two wells have an early modulus and a plateau, one a retention, at four times since two events.
    assert len(rows) == 5 * 4 * 2
    refuted = {}
    for population, quantity, well, _, since, minutes, forecasts, inside, _, _ in rows:
        n, k = int(forecasts), int(inside)
        if binomtest(k, n, 0.95, alternative="less").pvalue < 0.001:
            refuted[population, quantity, well, since, minutes] = (k, n)
    assert not refuted
