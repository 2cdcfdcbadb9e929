"""What a fit says when it is given the wrong well: error in G of noise-free traces of the real one.

Traces come from the spectral table of closed wells; they are fitted with the free-wall and the zero-flux tube, with a
wrong push length, a wrong well radius and the right table.

    python benchmarks/wrong_geometry.py
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from stanch.echo.records import Displacement
from stanch.mechanics.invert import InvertSettings, invert
from stanch.mechanics.one_dimensional import free_wall_table, zero_flux_table
from stanch.mechanics.records import Moduli, SpectralTable
from stanch.mechanics.response import trace
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Acquisition, Geometry

MM = 1e-3
MODULUS = np.array([10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0])
VISCOSITY = np.array([0.02, 0.03, 0.05, 0.1, 0.2, 0.3])
FOCUS = {"long focus": 60.0, "L = 3 mm": 3.0, "L = 1.5 mm": 1.5}
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -1e-3)
FRAMES = np.arange(2, 66) * 1.25e-4
PEAK = 8e-6
NOISE = 0.1e-6


def well(radius: float, length: float) -> Geometry:
    """A closed well of `radius` [mm] pushed over `length` [mm] in its middle; long enough for a long focus."""
    depth = 40.0 if length > 10 else 12.0
    return Geometry(radius * MM, depth * MM, depth / 2 * MM, 0.5 * MM, length * MM, 0.19 * MM)


def real_table(geometry: Geometry) -> SpectralTable:
    """The table of the real well at its focus."""
    return spectral_table(geometry, depth=np.array([-1e-4, 0.0, 1e-4]), density=1055.0, push_duration=2e-4)


def traces(table: SpectralTable, noise: float = 0.0, seed: int = 1) -> Displacement:
    """One push for each modulus, all of the same peak."""
    rows = []
    for modulus, viscosity in zip(MODULUS, VISCOSITY, strict=True):
        row = trace(table, modulus, viscosity, 1e4, ACQUISITION, FRAMES)
        rows.append(row * PEAK / np.abs(row).max())
    value = np.stack(rows) + noise * np.random.default_rng(seed).standard_normal((MODULUS.size, FRAMES.size))
    pushes, one = MODULUS.size, np.ones(MODULUS.size)
    whole = np.ones((pushes, FRAMES.size))
    return Displacement(
        push_time=6.0 * np.arange(pushes),
        frame_time=FRAMES,
        value=value,
        sd=NOISE * whole,
        step_sd=0.0 * whole,
        shared_sd=0.0 * one,
        weight=whole,
        depth=np.zeros(1),
        sensitivity=np.ones((pushes, 1)),
        speckle_cells=1e9 * one,
        coherence=one,
        link=None,
        slow_shift=0.0 * one,
        slow_coherence=one,
        zone_coherence=one[:, None],
        energy=one[:, None],
        energy_depth=np.zeros(1),
        flags=np.zeros(pushes, dtype=np.int64),
        estimator="none",
    )


def fit(displacement: Displacement, table: SpectralTable, geometry: Geometry) -> Moduli:
    """Plain least squares, every frame trusted."""
    return invert(displacement, table, ACQUISITION, geometry, InvertSettings(speckle=False, robust=False))


def errors(radius: float, length: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Relative error of G and root of the reduced chi-square at 0.1 um noise for every assumption."""
    geometry = well(radius, length)
    seen = traces(real_table(geometry))
    wrong_length = well(radius, 1.5 if length > 1.5 else 3.0)
    tables = {
        "right table": (real_table(geometry), geometry),
        "free wall": (free_wall_table(geometry), geometry),
        "zero flux": (zero_flux_table(geometry), geometry),
        "wrong length": (real_table(wrong_length), wrong_length),
        "radius + 3 %": (real_table(replace(geometry, well_radius=1.03 * geometry.well_radius)), geometry),
    }
    found = {}
    for name, (table, assumed) in tables.items():
        moduli = fit(seen, table, assumed)
        found[name] = (moduli.modulus / MODULUS - 1.0, np.sqrt(moduli.reduced_chi2))
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--radius", type=float, nargs="+", default=[2.5, 4.0], help="well radii [mm]")
    options = parser.parse_args()
    print("Error of G [%], and in brackets the misfit at 0.1 um noise [standard deviations]")
    print(f"{'':36s}" + "".join(f"{g:>15.0f} Pa" for g in MODULUS))
    span: dict[tuple[str, str], list[float]] = {}
    for radius in options.radius:
        for focus, length in FOCUS.items():
            for name, (error, misfit) in errors(radius, length).items():
                span.setdefault((name, focus), []).extend(100 * error)
                cells = "".join(
                    f"{100 * e:+10.2f} ({m:4.1f})" if np.isfinite(e) else f"{'refused':>17s}"
                    for e, m in zip(error, misfit, strict=True)
                )
                print(f"R {radius:3.1f} mm  {focus:11s} {name:13s}" + cells)
    print("\nRange over all wells and moduli that the fit did not refuse [%]")
    for name in ("free wall", "zero flux", "wrong length", "radius + 3 %", "right table"):
        cells = "   ".join(
            f"{focus}: {np.nanmin(span[name, focus]):+8.2f} to {np.nanmax(span[name, focus]):+8.2f}" for focus in FOCUS
        )
        print(f"{name:14s}{cells}")


if __name__ == "__main__":
    main()
