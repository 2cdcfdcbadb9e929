"""Wells of set gel from echoes to modulus: is the mean of hundreds of pushes as good as its interval says?

Every well has scatterers of its own in three dimensions, frozen as in a set clot, so that its pushes differ in noise
only and what the speckle does to the modulus does not average away. Per gel and noise: bias and scatter of the well
mean, the root mean square of its standard scores (1 if the intervals are right), coverage of well mean and of one push
per well, and the spread of the fitted speckle deviations over their prior (below 1, since a fit shrinks them).

    python benchmarks/frozen_wells.py --wells 32 --pushes 200
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.echo.track import TrackSettings, track
from stanch.mechanics.invert import InvertSettings, invert
from stanch.mechanics.table import spectral_table
from stanch.virtual.instrument import VirtualWell
from stanch.virtual.scenario import Scenario

Floats = NDArray[np.float64]
VISCOSITY = {20.0: 0.03, 50.0: 0.04, 120.0: 0.06, 250.0: 0.09, 1000.0: 0.2}
CLEAN = "120 dB"
FIRST: tuple[tuple[int, int], ...] = ((1, 0),)
WAYS: dict[str, dict[str, Any]] = {
    "left out": {"speckle": False},
    "first order": {"speckle_terms": FIRST, "bending": False},
    "two orders": {"speckle_terms": (*FIRST, (2, 0)), "bending": False},
    "two, gate": {"bending": False},
    "all terms": {},
}


def scenario_of(modulus: float) -> Scenario:
    """One gel, with echoes that are as good as free of noise."""
    gel = {"modulus": f"{modulus:g} Pa", "viscosity": f"{VISCOSITY[modulus]:g} Pa·s"}
    return Scenario.model_validate(
        {
            "schema": "stanch.scenario/1",
            "name": "frozen wells (demo)",
            "seed": 1,
            "demo": True,
            "sample": {"sample": "gel", "role": "gel"},
            "run": {"pushes": 1, "push_interval": "6 s"},
            "acquisition": {
                "sampling_rate": "40 MHz",
                "centre_frequency": "9 MHz",
                "sound_speed": "1575 m/s",
                "density": "1055 kg/m^3",
                "frame_interval": "125 us",
                "frames": 64,
                "frames_before_push": 2,
                "push_duration": "200 us",
                "first_sample_depth": "-2.3 mm",
                "samples": 256,
            },
            "geometry": {
                "well_radius": "2.8 mm",
                "well_depth": "7 mm",
                "beam_from": "base",
                "focus_height": "3.2 mm",
                "lid": "rigid",
                "push_radius": "0.4 mm",
                "push_length": "2.2 mm",
                "beam_radius": "0.19 mm",
            },
            "instrument": {"push_force": "60 kN/m^3", "signal_to_noise": CLEAN},
            "well": [{"name": "gel", "activator": "none", "curve": gel}],
        }
    )


@lru_cache(maxsize=512)
def clean_push(modulus: float, seed: int) -> tuple[Floats, float]:
    """Echo lines of one push without noise [count], and the echo level [count]."""
    scenario = scenario_of(modulus)
    block, _ = VirtualWell(scenario, 0, seed).push(0.0)
    return block.astype(float), float(scenario.instrument.echo_level)


@dataclass(frozen=True)
class Outcome:
    """One well: error of the mean of y, its claimed and the plain noise SD, one push, and the speckle deviations."""

    away: float
    claimed: float
    covered: bool
    deviation: Floats
    prior: float
    seconds: float


def one_well(seed: int, modulus: float, level: float, pushes: int, settings: tuple[InvertSettings, ...]) -> Any:
    """Outcomes of one well under each of the settings."""
    scenario = scenario_of(modulus)
    lines, echo = clean_push(modulus, seed)
    rng = np.random.default_rng([seed, 5, int(modulus), int(10 * level)])
    noise = rng.standard_normal((pushes, *lines.shape), dtype=np.float32) * np.float32(echo * 10 ** (-level / 20))
    block = np.rint(lines + noise).astype(np.int16)
    acquisition, geometry = scenario.acquisition_record(), scenario.geometry.record()
    seen = track(
        block, 6.0 * np.arange(pushes), VirtualWell(scenario, 0, 0).frame_time, acquisition, geometry, TrackSettings()
    )
    table = spectral_table(
        geometry,
        density=acquisition.density,
        push_duration=acquisition.push_duration,
        frame_time=seen.frame_time,
    )
    out = []
    for choice in settings:
        begin = time.process_time()
        got = invert(seen, table, acquisition, geometry, choice)
        spent = time.process_time() - begin
        use = got.usable
        one = use / use.sum()
        error = np.where(use, got.log_modulus - np.log(modulus + 10.0), 0.0)
        covariance = np.nan_to_num(got.covariance)
        which = int(np.flatnonzero(use)[rng.integers(use.sum())])
        covered = bool(got.modulus_low[which] <= modulus <= got.modulus_high[which])
        deviation = got.deviation.T if got.deviation is not None else got.speckle[None]
        prior = float(np.sqrt(0.5 / (np.median(seen.speckle_cells) - 1.0)))
        out.append(
            Outcome(
                float(one @ error),
                float(np.sqrt(one @ covariance @ one)),
                covered,
                np.asarray(np.nanmean(np.atleast_2d(deviation), axis=1)),
                prior,
                spent,
            )
        )
    return out


def verdict(hits: int, trials: int, chance: float = 0.95) -> str:
    """Exact two-sided binomial test at 0.001."""
    from scipy.stats import binomtest

    return "not refuted" if binomtest(hits, trials, chance).pvalue >= 0.001 else "refuted"


def row_of(modulus: float, outcomes: list[Outcome]) -> dict[str, float | str]:
    """One line of the table."""
    away, claimed = (np.array([getattr(o, name) for o in outcomes]) for name in ("away", "claimed"))
    score = away / claimed
    n = len(outcomes)
    to_g = 100.0 * (modulus + 10.0) / modulus
    inside, single = int(np.sum(np.abs(score) <= 1.959964)), sum(o.covered for o in outcomes)
    deviation = np.stack([o.deviation for o in outcomes])
    spread = np.sqrt(np.mean(deviation**2, axis=0)) / np.mean([o.prior for o in outcomes])
    return {
        "bias %": to_g * float(away.mean()),
        "rms %": to_g * float(np.sqrt(np.mean(away**2))),
        "claimed %": to_g * float(np.sqrt(np.mean(claimed**2))),
        "rms score": float(np.sqrt(np.mean(score**2))),
        "mean": inside / n,
        "mean verdict": verdict(inside, n),
        "push": single / n,
        "push verdict": verdict(single, n),
        "spread/prior": " ".join(f"{s:.2f}" for s in spread),
        "ms": 1e3 * float(np.mean([o.seconds for o in outcomes])),
    }


def study(
    wells: int,
    pushes: int,
    moduli: tuple[float, ...],
    levels: tuple[float, ...],
    settings: dict[str, InvertSettings],
    processes: int = 1,
    first: int = 1,
) -> list[dict[str, float | str]]:
    """The table: a row for every gel, noise and way to fit."""
    jobs = [(seed, g, level) for level in levels for g in moduli for seed in range(first, first + wells)]
    ways = tuple(settings.values())
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            found = list(pool.map(_job, [(*job, pushes, ways) for job in jobs], chunksize=4))
    else:
        found = [one_well(*job, pushes, ways) for job in jobs]
    rows: list[dict[str, float | str]] = []
    for level in levels:
        for g in moduli:
            mine = [out for job, out in zip(jobs, found, strict=True) if job[1:] == (g, level)]
            for k, name in enumerate(settings):
                rows.append({"way": name, "G": g, "dB": level, **row_of(g, [out[k] for out in mine])})
    return rows


def _job(arguments: tuple[Any, ...]) -> Any:
    return one_well(*arguments)


def show(rows: list[dict[str, float | str]]) -> None:
    """Print as columns."""
    print("  ".join(f"{name:>12s}" for name in rows[0]))
    for row in rows:
        print("  ".join(f"{v:12.3f}" if isinstance(v, float) else f"{v!s:>12s}" for v in row.values()))
    print()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--wells", type=int, default=32, help="wells of each gel")
    parser.add_argument("--pushes", type=int, default=200)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--levels", type=float, nargs="+", default=[28.0, 34.0], help="signal to noise [dB]")
    parser.add_argument("--moduli", type=float, nargs="+", default=list(VISCOSITY))
    parser.add_argument("--ways", nargs="+", choices=list(WAYS), default=list(WAYS))
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args()
    base = InvertSettings(threads=1)
    settings = {name: replace(base, **WAYS[name]) for name in args.ways}
    show(study(args.wells, args.pushes, tuple(args.moduli), tuple(args.levels), settings, args.processes, args.first))


if __name__ == "__main__":
    main()
