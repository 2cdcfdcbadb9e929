"""A reduced version of ``benchmarks/planted_faults.py``: planted faults are found, and no others."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

PUSHES = 44


@pytest.fixture(scope="module")
def study() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "planted_faults.py"
    spec = importlib.util.spec_from_file_location("planted_faults", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["under-fill, not recorded", "bench knock"])
def test_a_planted_fault_is_found(study: ModuleType, tmp_path: Path, fault: str) -> None:
    key, wells, tables, changes = study.FAULTS[fault]
    signs = study.signs_of(study.scenario(tables, changes, PUSHES, 100), tmp_path)
    assert set(wells) <= {s.well for s in signs if s.key == key}


@pytest.mark.slow
def test_a_clean_run_shows_no_sign(study: ModuleType, tmp_path: Path) -> None:
    assert study.signs_of(study.scenario("", {}, PUSHES, 1000), tmp_path) == ()
