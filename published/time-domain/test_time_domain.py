"""Spectral table against an independent time-domain solution (solver.py in this folder, computed for this project)."""

import csv
import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from stanch.mechanics.response import oscillator
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Geometry

HERE = Path(__file__).parent
TOLERANCE = 5e-3


def _solver() -> ModuleType:
    spec = importlib.util.spec_from_file_location("time_domain_solver", HERE / "solver.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


SOLVER = _solver()
CASES = {(case.name, case.modulus): case for case in SOLVER.cases()}
ROWS = list(csv.DictReader((HERE / "traces.csv").read_text(encoding="utf-8").splitlines()))


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STANCH_CACHE", str(tmp_path))


def _geometry(case: Any) -> Geometry:
    return Geometry(
        case.radius, case.depth, case.focus, case.push_radius, case.push_length, case.beam_radius, "base", case.lid
    )


def _movement(case: Any, geometry: Geometry, depth: np.ndarray, time: np.ndarray) -> np.ndarray:
    table = spectral_table(geometry, depth=depth, density=case.density, push_duration=case.push_duration)
    scale = table.eigenvalue / case.density
    q = oscillator(time, case.modulus * scale, 0.5 * case.viscosity * scale, case.push_duration)[0]
    return np.asarray(np.einsum("tn,n,nz->zt", q, table.force, table.beam[0]) / case.density)


@pytest.mark.parametrize("key", CASES, ids=lambda k: f"{k[0]}, {k[1]:.0f} Pa")
def test_stored_traces(key: tuple[str, float]) -> None:
    case = CASES[key]
    rows = [row for row in ROWS if (row["well"], float(row["modulus_pa"])) == key]
    names = [name for name in rows[0] if name.startswith("t") and name.endswith("_us")]
    time = np.array([float(name[1:-3]) * 1e-6 for name in names])
    depth = np.array([float(row["depth_m"]) for row in rows])
    stored = np.array([[float(row[name]) for name in names] for row in rows])
    assert time.size == 64
    found = _movement(case, _geometry(case), depth, time)
    assert np.abs(found - stored).max() < TOLERANCE * np.abs(stored).max()


@pytest.mark.parametrize(
    "key",
    [
        ("central focus, rigid lid", 300.0),
        ("focus 1.5 mm above base", 300.0),
        ("free top", 300.0),
        ("narrow push, wide well", 3000.0),
    ],
    ids=lambda k: k[0],
)
def test_solved_again_on_a_coarser_grid(key: tuple[str, float]) -> None:
    case = CASES[key]
    step = 12.5e-6
    depth = np.array([0.0, 1e-3])
    solved, change = SOLVER.extrapolated(case, depth, 480, step, 56, 1.25e-4)
    time = step * np.arange(1, 481)
    found = _movement(case, _geometry(case), depth, time)
    assert change < 3e-2
    assert np.abs(found - solved).max() < TOLERANCE * np.abs(solved).max()


def test_the_check_sees_a_well_three_per_cent_wider() -> None:
    case = CASES["central focus, rigid lid", 300.0]
    depth, time = np.zeros(1), np.arange(1, 65) * 1.25e-4
    right = _movement(case, _geometry(case), depth, time)
    wider = Geometry(1.03 * case.radius, case.depth, case.focus, case.push_radius, case.push_length, case.beam_radius)
    assert np.abs(_movement(case, wider, depth, time) - right).max() > 2 * TOLERANCE * right.max()
