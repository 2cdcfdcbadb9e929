"""Coverage of 95 % intervals from echoes to readings and contrasts, on virtual six-well hours with known truth.

Every run draws its own growth, lysis and stiffness, moves its own scatterers and is analysed as a user would. The truth
of a reading is the same definition applied to the true modulus curve.

    python benchmarks/echo_coverage.py --runs 40 --processes 2
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
import tomllib
from concurrent.futures import ProcessPoolExecutor
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

CURVES = Path(__file__).with_name("stated_curves.toml")
EXCUSED = 0.001


def scenario_of(seed: int, pushes: int) -> dict[str, Any]:
    """Six wells of stated curves, with growth, lysis and stiffness of their own."""
    rng = np.random.default_rng([seed, 77])
    data = tomllib.loads(CURVES.read_text("utf-8"))
    data["seed"] = seed
    data["run"]["pushes"] = pushes
    data["run"]["push_interval"] = f"{3600 / pushes:g} s"
    data["instrument"]["signal_to_noise"] = f"{rng.uniform(26, 40):.2f} dB"
    stiff = math.exp(rng.uniform(math.log(0.3), math.log(4.0)))
    lysis, retraction = rng.uniform(0.0, 1.5), rng.uniform(0.0, 0.3)
    late = math.exp(rng.normal(0.0, 0.2))
    for well in data["well"]:
        well["activation_sd"] = "0 s"
        curve = well["curve"]

        def scaled(key: str, factor: float, unit: str, curve: dict[str, Any] = curve) -> None:
            curve[key] = f"{float(curve[key].split()[0]) * factor:.6g} {unit}"

        own = math.exp(rng.normal(0.0, 0.03))
        for key in ("network_modulus", "stiffening_modulus"):
            scaled(key, stiff * own, "Pa")
        for key in ("start", "network_time", "stiffening_time"):
            scaled(key, late, "min")
        if "lysis_rate" in curve:
            curve["lysis_rate"] = f"{lysis:.4f} %/min"
        curve["retraction_rate"] = f"{retraction:.4f} %/min"
    return data


def one_run(seed: int, pushes: int) -> list[tuple[str, str, float, float | None, float | None, float | None]]:
    """Name, status, truth and interval of every reading, contrast and sampled push of one run."""
    from dataclasses import replace

    from stanch.curve.records import Curve
    from stanch.pipeline import analyse
    from stanch.readings.assay import load_assay
    from stanch.readings.contrast import contrast
    from stanch.readings.read import read_well
    from stanch.virtual.scenario import Scenario
    from stanch.virtual.simulate import simulate

    text = (files("stanch.virtual") / "demo" / "assay.toml").read_text("utf-8")
    assay = load_assay(text, where="assay.toml")
    with tempfile.TemporaryDirectory() as folder:
        recording, truth_path = Path(folder) / "r.h5", Path(folder) / "t.json"
        simulate(Scenario.model_validate(scenario_of(seed, pushes)), recording, truth=truth_path)
        result = analyse(recording, assay, seed=seed, threads=1)
        truth = json.loads(truth_path.read_text())
    rows: list[tuple[str, str, float, float | None, float | None, float | None]] = []
    true_sides = {}
    for well, known in zip(result.wells, truth["wells"], strict=True):
        assert well.moduli is not None
        assert well.curve is not None
        assert well.readings is not None
        g = np.array(known["pushes"]["modulus_pa"])
        for index in range(3, g.size, 12):
            if well.moduli.usable[index]:
                low, high = float(well.moduli.modulus_low[index]), float(well.moduli.modulus_high[index])
                name = "push modulus, liquid" if g[index] == 0 else "push modulus, gel"
                rows.append((name, "ok", float(g[index]), low, high, float(well.moduli.modulus[index])))
        grid = np.array(known["curve"]["modulus_pa"])
        time = known["curve"]["time_step_s"] * np.arange(grid.size)
        exact = Curve(time, grid, grid, grid, np.stack([grid, grid]), None, None, None, well.curve.push_time, 0, {})
        true_readings = read_well(exact, assay.definitions(), seed=0, well=well.well.name)
        true_sides[well.well.name] = (replace(well.well, activation_sd=0.0), exact, true_readings)
        for reading in well.readings.readings:
            rows.append(
                (reading.key, reading.estimate.status, *_pair(true_readings[reading.key].estimate, reading.estimate))
            )
    for definition, found in zip(assay.contrasts, result.contrasts, strict=True):
        blockless = replace(definition, block_fraction_sd=0.0) if definition.block_fraction else definition
        known = contrast(
            blockless, true_sides[definition.base], true_sides[definition.other], assay.definitions(), seed=0
        )
        rows.append((f"contrast: {definition.name}", found.estimate.status, *_pair(known.estimate, found.estimate)))
    return rows


def _pair(true: Any, found: Any) -> tuple[float, float | None, float | None, float | None]:
    return (math.nan if true.value is None else true.value, found.low, found.high, found.value)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--pushes", type=int, default=240)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--json", type=Path, help="Keep the rows.")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.runs)
    rows = []
    with ProcessPoolExecutor(given.processes) as pool:
        for found in pool.map(one_run, seeds, [given.pushes] * given.runs):
            rows += found
    if given.json:
        given.json.write_text(json.dumps(rows))
    report(rows)


def report(rows: list[Any]) -> None:
    """Print coverage, its exact binomial verdict, relative bias and width per name."""
    from scipy.stats import binomtest

    print(f"{'quantity':36s} {'n':>6s} {'covered':>8s} {'p':>8s} {'bias %':>8s} {'half width %':>12s}  verdict")
    for name in dict.fromkeys(row[0] for row in rows):
        mine = [r for r in rows if r[0] == name and r[3] is not None and r[4] is not None and not math.isnan(r[2])]
        other = sum(r[0] == name for r in rows) - len(mine)
        if not mine:
            print(f"{name:36s} {0:6d}  (no interval in {other})")
            continue
        truth, low, high = (np.array([r[k] for r in mine], dtype=float) for k in (2, 3, 4))
        value = np.array([math.nan if r[5] is None else r[5] for r in mine])
        covered = int(np.sum((low <= truth) & (truth <= high)))
        # Liquid: the interval begins at 0, the truth, so that only its upper end can miss.
        p = binomtest(covered, len(mine), 0.975 if "liquid" in name else 0.95).pvalue
        scale = np.where(np.abs(truth) > 1e-9, np.abs(truth), np.nan)
        bias = 100 * np.nanmedian((value - truth) / scale) if np.isfinite(scale).any() else math.nan
        width = 100 * np.nanmedian((high - low) / 2 / scale) if np.isfinite(scale).any() else math.nan
        word = "refuted" if p < EXCUSED else "not refuted"
        extra = f"  ({other} without)" if other else ""
        print(f"{name:36s} {len(mine):6d} {covered / len(mine):8.3f} {p:8.2g} {bias:8.3f} {width:12.3f}  {word}{extra}")


if __name__ == "__main__":
    main()
