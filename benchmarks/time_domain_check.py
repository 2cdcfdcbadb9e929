"""Spectral table against the independent time-domain solution: difference over the peak, rows, build time.

python benchmarks/time_domain_check.py            stored traces, a second or two
python benchmarks/time_domain_check.py --solve    solves in the time domain again (minutes)
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import sys
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from stanch.mechanics.response import oscillator
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Geometry

FOLDER = Path(__file__).resolve().parents[1] / "published" / "time-domain"


def load_solver() -> ModuleType:
    """The solver that stands beside the stored traces."""
    spec = importlib.util.spec_from_file_location("time_domain_solver", FOLDER / "solver.py")
    if spec is None or spec.loader is None:
        raise SystemExit(f"no solver in {FOLDER}")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def stored(case: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depths, times and movement of one case in traces.csv."""
    with (FOLDER / "traces.csv").open(encoding="utf-8") as stream:
        rows = [
            row
            for row in csv.DictReader(stream)
            if row["well"] == case.name and float(row["modulus_pa"]) == case.modulus
        ]
    names = [name for name in rows[0] if name.startswith("t") and name.endswith("_us")]
    when = np.array([float(name[1:-3]) * 1e-6 for name in names])
    depth = np.array([float(row["depth_m"]) for row in rows])
    return depth, when, np.array([[float(row[name]) for name in names] for row in rows])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--solve", action="store_true", help="solve in the time domain again")
    parser.add_argument("--radial-cells", type=int, default=96)
    parser.add_argument("--axial-spacing-mm", type=float, default=0.05)
    parser.add_argument("--step-us", type=float, default=6.25)
    options = parser.parse_args()
    solver = load_solver()
    warm = solver.cases()[0]
    spectral_table(geometry(warm), density=warm.density, push_duration=warm.push_duration, cache=False)
    print(f"{'well':28s} {'G Pa':>6s} {'eta':>5s} {'rows':>4s} {'build s':>8s} {'CPU s':>6s}  difference over the peak")
    for case in solver.cases():
        if options.solve:
            step = options.step_us * 1e-6
            depth, when = np.array([-1e-3, 0.0, 1e-3]), step * np.arange(1, round(8e-3 / step) + 1)
            seen, _ = solver.extrapolated(
                case, depth, when.size, step, options.radial_cells, options.axial_spacing_mm * 1e-3
            )
        else:
            depth, when, seen = stored(case)
        wall, cpu = time.perf_counter(), time.process_time()
        spectral_table(geometry(case), density=case.density, push_duration=case.push_duration, cache=False)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        table = spectral_table(
            geometry(case), depth=depth, density=case.density, push_duration=case.push_duration, cache=False
        )
        scale = table.eigenvalue / case.density
        q = oscillator(when, case.modulus * scale, 0.5 * case.viscosity * scale, case.push_duration)[0]
        found = np.einsum("tn,n,nz->zt", q, table.force, table.beam[0]) / case.density
        worst = np.abs(found - seen).max(axis=1) / np.abs(seen).max()
        text = "  ".join(f"{d * 1e3:+.0f} mm {w:.1e}" for d, w in zip(depth, worst, strict=True))
        print(
            f"{case.name:28s} {case.modulus:6.0f} {case.viscosity:5.2f} {table.eigenvalue.size:4d} "
            f"{wall:8.3f} {cpu:6.3f}  {text}"
        )


def geometry(case: Any) -> Geometry:
    """The case's well, push and beam."""
    return Geometry(
        case.radius, case.depth, case.focus, case.push_radius, case.push_length, case.beam_radius, "base", case.lid
    )


if __name__ == "__main__":
    main()
