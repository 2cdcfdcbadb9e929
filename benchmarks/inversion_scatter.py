"""Error, scatter and coverage of per-push moduli, from displacement drawn with known truth.

Three tables: (1) error and scatter against the Fisher limit in third-octaves of G, speckle weighting off; (2) coverage
of the 95 % intervals with fresh, drifting and frozen speckle; (3) the mean G of a frozen well, with the speckle left
out, estimated push by push, and shared. Speckle enters with all the terms that the model has and no others;
frozen_wells.py does the same with simulated echoes.

    python benchmarks/inversion_scatter.py --runs 1000
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement
from stanch.mechanics.invert import GATE_SHARE, InvertSettings, invert
from stanch.mechanics.records import SpectralTable
from stanch.mechanics.response import coupling, trace_derivatives
from stanch.mechanics.speckle import depth_polynomial
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]
GEOMETRY = Geometry(3e-3, 8e-3, 4e-3, 0.45e-3, 2.2e-3, 0.19e-3)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -1e-3)
FRAMES = 1.25e-4 * np.arange(1, 65)
DEPTH = np.linspace(-1e-3, 1e-3, 21)
GATE = np.hanning(23)[1:-1] / np.hanning(23)[1:-1].sum()
CELLS = 20.0
OFF = InvertSettings(speckle=False)
TERMS = len(InvertSettings().speckle_terms) + 1
NOISE = {"0.05 um": 0.05e-6, "0.1 um": 0.1e-6, "0.2 um": 0.2e-6, "0.3 um": 0.3e-6}
"""About 37, 31, 25 and 22 dB by the Cramer-Rao bound for a 2 mm gate, 9 MHz, 60 % bandwidth, full correlation."""


def viscosity(modulus: float) -> float:
    """A clot that stays lightly overdamped to lightly ringing over the whole range [Pa·s]."""
    return float(0.005 + 6e-4 * max(modulus, 0.0) ** 0.75)


@dataclass(frozen=True)
class Bench:
    """A table and a force with a peak of 8 um at 100 Pa."""

    table: SpectralTable
    force: float
    drawn: dict[float, tuple[Floats, Floats]] = field(default_factory=dict)
    """Per modulus the mean trace and the movement per unit of each speckle deviation, shape (term, frame)."""

    @classmethod
    def build(cls) -> Bench:
        table = spectral_table(
            GEOMETRY, depth=DEPTH, density=ACQUISITION.density, push_duration=ACQUISITION.push_duration
        )
        bench = cls(table, 1.0)
        return cls(table, 8e-6 / bench.parts(100.0)[0].max())

    def parts(self, modulus: float, order: int = 0, degree: int = 0) -> tuple[Floats, Floats, Floats]:
        """Trace and derivatives in y and ln eta."""
        c = coupling(self.table, DEPTH, GATE * depth_polynomial(DEPTH, GATE[None], degree)[0], order)
        return trace_derivatives(self.table, modulus, viscosity(modulus), self.force, ACQUISITION, FRAMES, c)

    def fisher(self, modulus: float, sd: float) -> float:
        """Least possible standard deviation of y with the force unknown, from the full noise covariance."""
        seen, by_y, by_e = self.parts(modulus)
        root = np.stack([by_y, by_e, seen], axis=1)
        covariance = sd**2 * (np.eye(FRAMES.size) + 0.5)
        return float(np.sqrt(np.linalg.inv(root.T @ np.linalg.solve(covariance, root))[0, 0]))

    def deviations(self, modulus: float) -> Floats:
        """Movement per unit of each speckle deviation, the bending last, shape (term, frame)."""
        terms = InvertSettings().speckle_terms
        moved = [self.parts(modulus, k, m)[0] * (GATE_SHARE if k == 0 else 1.0) for k, m in terms]
        phase = 4.0 * np.pi * ACQUISITION.centre_frequency / ACQUISITION.sound_speed
        return np.stack([*moved, np.sqrt(2.0) * phase * moved[0] ** 2])

    def draw(self, rng: np.random.Generator, modulus: float, sd: float, delta: Floats) -> Floats:
        """Traces with the noise of a reference averaged over two lines; `delta` of shape (push, term)."""
        if modulus not in self.drawn:
            self.drawn[modulus] = (self.parts(modulus)[0], self.deviations(modulus))
        mean, slope = self.drawn[modulus]
        clean = mean + delta @ slope
        return clean + rng.normal(0.0, sd, clean.shape) + rng.normal(0.0, sd / np.sqrt(2), (len(delta), 1))

    def displacement(self, value: Floats, sd: float, link: Floats | None, cells: float) -> Displacement:
        """As the echo stage would hand it over."""
        n = value.shape[0]
        ones = np.ones(n)
        return Displacement(
            push_time=6.0 * np.arange(n),
            frame_time=FRAMES,
            value=value,
            sd=np.full(value.shape, sd),
            step_sd=np.zeros(value.shape),
            shared_sd=sd / np.sqrt(2) * ones,
            weight=np.ones(value.shape),
            depth=DEPTH,
            sensitivity=np.tile(GATE, (n, 1)),
            speckle_cells=cells * ones,
            coherence=ones,
            link=link,
            slow_shift=0 * ones,
            slow_coherence=0 * ones,
            zone_coherence=ones[:, None],
            energy=ones[:, None],
            energy_depth=np.zeros(1),
            flags=np.zeros(n, dtype=np.int64),
            estimator="drawn",
        )


def scatter_table(bench: Bench, runs: int, seed: int = 1) -> list[dict[str, float | str]]:
    """Median error and scatter over the Fisher limit, speckle weighting off, in third-octaves from 20 to 4000 Pa."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, float | str]] = []
    for noise, sd in NOISE.items():
        for modulus in 20.0 * 2.0 ** (np.arange(24) / 3.0):
            value = bench.draw(rng, modulus, sd, np.zeros((runs, TERMS)))
            got = invert(bench.displacement(value, sd, None, np.inf), bench.table, ACQUISITION, GEOMETRY, OFF)
            y = got.log_modulus[got.usable] - np.log(modulus + 10.0)
            limit = bench.fisher(modulus, sd)
            # The scatter by quantiles, so that one wild push cannot hide in a large variance or make one.
            middle = 0.5 * (np.quantile(y, 0.8413447) - np.quantile(y, 0.1586553))
            error = got.modulus[got.usable] / modulus - 1.0
            rows.append(
                {
                    "noise": noise,
                    "modulus": float(modulus),
                    "median_error": float(np.median(error)),
                    "median_se": float(1.2533 * np.std(error) / np.sqrt(error.size)),
                    "limit": limit * (modulus + 10.0) / modulus,
                    "ratio_rms": float(np.sqrt(np.mean(y**2)) / limit),
                    "ratio_quantile": float(middle / limit),
                    "usable": float(got.usable.mean()),
                }
            )
    return rows


def link_of(kind: str, pushes: int) -> Floats | None:
    """Correlation of the speckle of two pushes."""
    i = np.arange(pushes)
    return {
        "fresh": None,
        "drifting": np.exp(-np.abs(i[:, None] - i) / 5.0),
        "frozen": np.ones((pushes, pushes)),
    }[kind]


def root_of(link: Floats | None, pushes: int) -> Floats:
    """A square root of it."""
    if link is None:
        return np.eye(pushes)
    value, vector = np.linalg.eigh(link)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))


def verdict(hits: int, trials: int, chance: float = 0.95) -> str:
    """Exact two-sided binomial test at 0.001, and on which side it fails."""
    from scipy.stats import binomtest

    p = binomtest(hits, trials, chance).pvalue
    return "not refuted" if p >= 0.001 else ("too narrow" if hits < chance * trials else "too wide")


def coverage_table(bench: Bench, wells: int, pushes: int = 12, seed: int = 2) -> list[dict[str, float | str]]:
    """Coverage of the intervals of one push per well (independent trials), and of all pushes."""
    rng = np.random.default_rng(seed)
    tau = np.sqrt(0.5 / (CELLS - 1.0))
    rows: list[dict[str, float | str]] = []
    for kind in ("fresh", "drifting", "frozen"):
        link = link_of(kind, pushes)
        root = root_of(link, pushes)
        for modulus in (0.0, 3.0, 30.0, 250.0, 1000.0, 3000.0):
            hits = dict.fromkeys(("modulus", "viscosity", "force"), 0)
            everything, mean_hits = 0.0, 0
            for _ in range(wells):
                sd = rng.choice(list(NOISE.values()))
                delta = tau * root @ rng.normal(size=(pushes, TERMS))
                value = bench.draw(rng, modulus, sd, delta)
                got = invert(bench.displacement(value, sd, link, CELLS), bench.table, ACQUISITION, GEOMETRY)
                eta, p = viscosity(modulus), int(rng.integers(pushes))
                inside = (got.modulus_low <= modulus) & (modulus <= got.modulus_high)
                everything += inside.mean() / wells
                hits["modulus"] += bool(inside[p])
                hits["viscosity"] += bool(got.viscosity_low[p] <= eta <= got.viscosity_high[p])
                hits["force"] += bool(abs(got.force[p] - bench.force) <= 1.959964 * got.force_sd[p])
                one = np.full(pushes, 1.0 / pushes)
                away = (got.log_modulus - np.log(modulus + 10.0)).mean()
                mean_hits += bool(abs(away) <= 1.959964 * np.sqrt(one @ got.covariance @ one))
            row: dict[str, float | str] = {"speckle": kind, "truth": modulus, "all pushes": everything}
            for name, count in (*hits.items(), ("well mean", mean_hits)):
                row[name] = count / wells
                # At zero the interval begins at zero and can only fail upwards.
                chance = 0.975 if modulus == 0.0 and name == "modulus" else 0.95
                row[f"{name} verdict"] = verdict(count, wells, chance)
            rows.append(row)
    return rows


def frozen_mean_table(
    bench: Bench, wells: int, pushes: int = 300, moduli: tuple[float, ...] = (30.0, 100.0, 250.0), seed: int = 3
) -> list[dict[str, float | str]]:
    """Error and coverage of the mean G of a frozen well."""
    rng = np.random.default_rng(seed)
    tau, sd = np.sqrt(0.5 / (CELLS - 1.0)), NOISE["0.2 um"]
    one = np.full(pushes, 1.0 / pushes)
    ways = (
        ("left out", None, OFF),
        ("push by push", None, InvertSettings()),
        ("shared", np.ones((pushes, pushes)), InvertSettings()),
    )
    rows: list[dict[str, float | str]] = []
    for modulus in moduli:
        found: dict[str, list[tuple[float, float]]] = {name: [] for name, _, _ in ways}
        for _ in range(wells):
            value = bench.draw(rng, modulus, sd, np.tile(tau * rng.normal(size=TERMS), (pushes, 1)))
            for name, link, settings in ways:
                got = invert(bench.displacement(value, sd, link, CELLS), bench.table, ACQUISITION, GEOMETRY, settings)
                away = float((got.log_modulus - np.log(modulus + 10.0)).mean())
                found[name].append((away, float(np.sqrt(one @ got.covariance @ one))))
        for name, pairs in found.items():
            away, claimed = np.array(pairs).T
            hits = int(np.sum(np.abs(away) <= 1.959964 * claimed))
            rows.append(
                {
                    "modulus": modulus,
                    "speckle": name,
                    "rms error": float(np.sqrt(np.mean(away**2)) * (modulus + 10) / modulus),
                    "coverage": hits / wells,
                    "verdict": verdict(hits, wells),
                }
            )
    return rows


def show(rows: list[dict[str, float | str]]) -> None:
    """Print as columns."""
    print("  ".join(f"{name:>14s}" for name in rows[0]))
    for row in rows:
        print("  ".join(f"{v:14.4g}" if isinstance(v, float) else f"{v!s:>14s}" for v in row.values()))
    print()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000, help="pushes per cell of table 1, wells per row of 2 and 3")
    parser.add_argument("--only", choices=["scatter", "coverage", "mean"])
    args = parser.parse_args()
    bench, begin = Bench.build(), time.process_time()
    if args.only in (None, "scatter"):
        rows = scatter_table(bench, args.runs)
        show(rows)
        print(f"largest |median error| {max(abs(float(r['median_error'])) for r in rows):.4f}")
        print(f"largest scatter over the limit {max(float(r['ratio_rms']) for r in rows):.3f}\n")
    if args.only in (None, "coverage"):
        show(coverage_table(bench, args.runs))
    if args.only in (None, "mean"):
        show(frozen_mean_table(bench, max(args.runs // 5, 10)))
    print(f"{time.process_time() - begin:.0f} s of processor time")


if __name__ == "__main__":
    main()
