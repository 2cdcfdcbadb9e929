"""How many pushes per second are inverted, and how that compares with SciPy's least_squares.

Complete inversions - start by matched filter, fit, check for outlying frames, covariance and fitted trace - of 64-frame
traces of 20 to 3000 Pa with 0.1 um noise, speckle weighting off, from a 30-row table. SciPy gets the same table, a
vectorised model with analytic Jacobian, the same noise model and the same start.

    python benchmarks/inversion_rate.py
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement
from stanch.mechanics import invert as inversion
from stanch.mechanics.invert import Frames, InvertSettings, invert
from stanch.mechanics.one_dimensional import zero_flux_table
from stanch.mechanics.response import coupling, trace, trace_derivatives
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]
GEOMETRY = Geometry(3e-3, 8e-3, 4e-3, 0.45e-3, 2.2e-3, 0.19e-3)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -1e-3)
FRAMES = 1.25e-4 * np.arange(1, 65)
SD = 0.1e-6
TABLE = zero_flux_table(GEOMETRY, depth=np.zeros(1), rows=30)


def pushes(count: int, seed: int) -> Displacement:
    """Traces over the range of a clot, with the noise of a reference averaged over two lines."""
    rng = np.random.default_rng(seed)
    force = 8e-6 / trace(TABLE, 100.0, 0.024, 1.0, ACQUISITION, FRAMES).max()
    modulus = np.geomspace(20.0, 3000.0, count)
    value = np.array([trace(TABLE, g, 0.005 + 6e-4 * g**0.75, force, ACQUISITION, FRAMES) for g in modulus])
    value += rng.normal(0.0, SD, value.shape) + rng.normal(0.0, SD / np.sqrt(2), (count, 1))
    ones = np.ones(count)
    return Displacement(
        push_time=6.0 * np.arange(count),
        frame_time=FRAMES,
        value=value,
        sd=np.full(value.shape, SD),
        step_sd=np.zeros(value.shape),
        shared_sd=SD / np.sqrt(2) * ones,
        weight=np.ones(value.shape),
        depth=np.zeros(1),
        sensitivity=ones[:, None],
        speckle_cells=np.inf * ones,
        coherence=ones,
        link=None,
        slow_shift=0 * ones,
        slow_coherence=0 * ones,
        zone_coherence=ones[:, None],
        energy=ones[:, None],
        energy_depth=np.zeros(1),
        flags=np.zeros(count, dtype=np.int64),
        estimator="drawn",
    )


def timed(job: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Best wall and processor time of several runs [s]."""
    wall, processor = np.inf, np.inf
    for _ in range(repeats):
        a, b = time.perf_counter(), time.process_time()
        job()
        wall, processor = min(wall, time.perf_counter() - a), min(processor, time.process_time() - b)
    return wall, processor


def starts(displacement: Displacement) -> Floats:
    """The start of every push, as the compiled fit takes it."""
    s = InvertSettings(speckle=False)
    scale = TABLE.eigenvalue / ACQUISITION.density
    frames = Frames.of(FRAMES, ACQUISITION.push_duration)
    library = inversion._library(TABLE, displacement.depth, ACQUISITION.density, scale, frames, s)
    from stanch.mechanics import kernel

    start, rival = np.empty((displacement.value.shape[0], 2, 2)), np.empty(displacement.value.shape[0], dtype=bool)
    kernel.pick_starts(
        displacement.value, displacement.sd**2, displacement.step_sd**2, displacement.shared_sd**2, True, library.cells,
        library.grid_e.size, 0.98, library.grid_y, library.grid_e, start, rival, np.ones(displacement.value.shape),
    )  # fmt: skip
    return start[:, 0]


def scipy_fits(displacement: Displacement, start: Floats, count: int) -> Floats:
    """The same fits by SciPy; returns ln(G + 10 Pa)."""
    from scipy.optimize import least_squares

    n = FRAMES.size
    covariance = SD**2 * (np.eye(n) + 0.5)
    whitener = np.linalg.inv(np.linalg.cholesky(covariance))
    c = coupling(TABLE)
    found = np.empty(count)
    at = np.linspace(0, len(start) - 1, count).astype(int)
    for p, (row, first) in enumerate(zip(displacement.value[at], start[at])):
        target = whitener @ row
        kept: dict[bytes, tuple[Floats, Floats]] = {}

        def model(x: Floats, kept: dict[bytes, tuple[Floats, Floats]] = kept) -> tuple[Floats, Floats]:
            key = x.tobytes()
            if key not in kept:
                kept.clear()
                seen, by_y, by_e = trace_derivatives(
                    TABLE, np.exp(x[0]) - 10.0, np.exp(x[1]), np.exp(x[2]), ACQUISITION, FRAMES, c
                )
                kept[key] = (whitener @ seen, whitener @ np.stack([by_y, by_e, seen], axis=1))
            return kept[key]

        unit = whitener @ trace_derivatives(
            TABLE, np.exp(first[0]) - 10.0, np.exp(first[1]), 1.0, ACQUISITION, FRAMES, c
        )[0]  # fmt: skip
        x0 = np.array([*first, np.log((unit @ target) / (unit @ unit))])
        result = least_squares(
            lambda x, model=model, target=target: model(x)[0] - target,
            x0,
            jac=lambda x, model=model: model(x)[1],
            method="lm",
            xtol=1e-8,
            ftol=1e-10,
        )
        found[p] = result.x[0]
    return found


def measure(wells: int, pushes_per_well: int, sample: int, repeats: int) -> dict[str, float]:
    """Rates, and the ratio to SciPy."""
    displacement = pushes(pushes_per_well, 1)
    settings = InvertSettings(speckle=False)

    def job() -> None:
        for _ in range(wells):
            invert(displacement, TABLE, ACQUISITION, GEOMETRY, settings)

    wall, processor = timed(job, repeats)
    start = starts(displacement)
    found: list[Floats] = []
    scipy_wall, scipy_processor = timed(lambda: found.append(scipy_fits(displacement, start, sample)), 2)
    at = np.linspace(0, pushes_per_well - 1, sample).astype(int)
    # SciPy holds no outlying frames down, so neither do we where the results are compared.
    plain = invert(displacement, TABLE, ACQUISITION, GEOMETRY, InvertSettings(speckle=False, robust=False))
    picked = plain.log_modulus[at]
    total = wells * pushes_per_well
    return {
        "pushes per second, wall": total / wall,
        "pushes per second and processor": total / processor,
        "SciPy fits per second, wall": sample / scipy_wall,
        "SciPy fits per second and processor": sample / scipy_processor,
        "ratio, wall": (total / wall) / (sample / scipy_wall),
        "ratio, processor": (total / processor) / (sample / scipy_processor),
        "largest difference of y from SciPy, standard errors": float(
            np.max(np.abs(picked - found[-1]) / np.sqrt(np.diag(plain.covariance)[at]))
        ),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--wells", type=int, default=10)
    parser.add_argument("--pushes", type=int, default=600, help="per well")
    parser.add_argument("--sample", type=int, default=200, help="fits by SciPy")
    parser.add_argument("--repeats", type=int, default=5)
    args = parser.parse_args()
    for name, value in measure(args.wells, args.pushes, args.sample, args.repeats).items():
        print(f"{name:55s} {value:12.4g}")
    print(f"{'processors':55s} {os.cpu_count():12d}")
    print(f"{'load over the last minute':55s} {os.getloadavg()[0]:12.2f}")


if __name__ == "__main__":
    main()
