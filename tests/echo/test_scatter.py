"""A reduced version of benchmarks/displacement_scatter.py: scatter against the bound, bias, both estimators."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from stanch.echo import TrackSettings


@pytest.fixture(scope="module")
def study() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "displacement_scatter.py"
    spec = importlib.util.spec_from_file_location("displacement_scatter", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("peak", "snr_db", "sheared"), [(0.5, 30, False), (8, 20, False), (100, 40, False), (8, 20, True), (2, 30, True)]
)
def test_scatter_and_bias(study: ModuleType, peak: float, snr_db: float, sheared: bool) -> None:
    pushes = 250
    row = study.measure(study.Scene(peak * 1e-6, snr_db, sheared), pushes, 3, TrackSettings())
    # The SD of an SD from 250 draws is 4.5 %: 1.10 plus three of those, and 0.9 as a sign of a wrong bound.
    assert 0.87 < row.scatter / row.bound < 1.10 * 1.135
    assert abs(row.bias) < 0.005 + 3 * row.bias_sd


def test_second_estimator(study: ModuleType) -> None:
    row = study.measure(study.Scene(8e-6, 30, False), 60, 4, TrackSettings(estimator="correlation"))
    # Facts of the comparison: at high SNR both reach the bound within some ten per cent; 60 draws tell 9 %.
    assert 0.75 < row.scatter / row.bound < 1.4
    assert abs(row.bias) < 0.005 + 3 * row.bias_sd
