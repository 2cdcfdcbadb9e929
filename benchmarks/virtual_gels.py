"""Per-push modulus of virtual gels from echoes, in third octaves from 20 to 4000 Pa: median error, scatter, coverage.

Every push has scatterers of its own. The force is the same for all moduli and moves a gel of 100 Pa by 8 um.

    python benchmarks/virtual_gels.py --pushes 60
"""

from __future__ import annotations

import argparse
import tomllib
from pathlib import Path
from typing import Any

import numpy as np

SCENARIO = Path(__file__).parents[1] / "examples" / "gel" / "scenario.toml"
PEAK = 8e-6
THIRD_OCTAVES = 20.0 * 2.0 ** (np.arange(24) / 3.0)


def scenario(modulus: float, level: float, force: float) -> Any:
    """The practice gel with another modulus, noise and force."""
    from stanch.virtual.scenario import Scenario

    data = tomllib.loads(SCENARIO.read_text("utf-8"))
    data["instrument"]["signal_to_noise"] = f"{level} dB"
    data["instrument"]["push_force"] = f"{force:.6g} N/m^3"
    # A loss tangent like that of soft clots at 100 Hz, and at least that of plasma with cells.
    eta = max(0.35 * modulus / (2 * np.pi * 100.0), 0.006)
    data["well"][0]["curve"].update(modulus=f"{modulus:.6g} Pa", viscosity=f"{1e3 * eta:.6g} mPa·s")
    return Scenario.model_validate(data)


def force_for(peak: float) -> float:
    """Force that moves a gel of 100 Pa by `peak`; the medium is linear."""
    from stanch.virtual.instrument import VirtualWell

    trial = VirtualWell(scenario(100.0, 40.0, 1e4), 0, 1)
    return 1e4 * peak / trial.push(0.0)[1].peak


def gel(modulus: float, level: float, force: float, pushes: int) -> tuple[np.ndarray, np.ndarray]:
    """Relative errors of G and whether the truth was covered, of each push."""
    from stanch.echo.track import track
    from stanch.mechanics.invert import invert
    from stanch.mechanics.table import spectral_table
    from stanch.virtual.instrument import VirtualWell, frame_times

    made = scenario(modulus, level, force)
    acquisition, geometry = made.acquisition_record(), made.geometry.record()
    frames = made.acquisition.frames
    times = frame_times(frames, acquisition.frames_before_push, 125e-6)
    errors, covered = [], []
    for seed in range(pushes):
        lines = VirtualWell(made, 0, 1000 * round(modulus) + seed).push(0.0)[0]
        moved = track(lines[None], np.zeros(1), times, acquisition, geometry)
        table = spectral_table(
            geometry,
            density=acquisition.density,
            push_duration=acquisition.push_duration,
            frame_time=moved.frame_time,
        )
        found = invert(moved, table, acquisition, geometry)
        if found.usable[0]:
            errors.append(found.modulus[0] / modulus - 1.0)
            covered.append(bool(found.modulus_low[0] <= modulus <= found.modulus_high[0]))
    return np.array(errors), np.array(covered)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=60)
    parser.add_argument("--levels", type=float, nargs="+", default=[26.0, 33.0, 40.0], help="signal to noise [dB]")
    given = parser.parse_args()
    force = force_for(PEAK)
    print(f"force {force:.0f} N/m^3; per level: median error and its standard error, scatter [%], coverage, usable")
    worst = 0.0
    for modulus in THIRD_OCTAVES:
        cells = []
        for level in given.levels:
            error, covered = gel(float(modulus), level, force, given.pushes)
            scatter = 0.5 * (np.quantile(error, 0.84) - np.quantile(error, 0.16))
            worst = max(worst, abs(float(np.median(error))))
            uncertain = 1.2533 * scatter / np.sqrt(error.size)
            cells.append(
                f"{level:3.0f} dB {100 * np.median(error):+6.2f} ± {100 * uncertain:4.2f}  {100 * scatter:5.2f}"
                f"  {covered.mean():5.3f} {error.size:4d}"
            )
        print(f"{modulus:7.1f} Pa   " + "   |  ".join(cells), flush=True)
    print(f"largest |median error| {100 * worst:.2f} %")


if __name__ == "__main__":
    main()
