"""How fast pushes are fitted with each model of the medium, next to the Kelvin-Voigt kernel of `invert`.

Complete fits - start by matched filter, search, check for outlying frames, covariance, loss tangent, evidence - of
64-frame traces with 0.1 um noise from a 30-row table, one thread, in one run. First with the speckle weighting off,
then with all its deviations estimated jointly over a well. Processor time, least of several runs. Also what one
evaluation of the response with all derivatives takes, and how far it is from the closed form of Kelvin-Voigt.

    python benchmarks/rheology_rate.py
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement
from stanch.mechanics import response as plain
from stanch.mechanics.invert import InvertSettings, invert
from stanch.mechanics.one_dimensional import zero_flux_table
from stanch.mechanics.rheology import kernel, response
from stanch.mechanics.rheology.contour import contour
from stanch.mechanics.rheology.fit import fit
from stanch.mechanics.rheology.models import to_search
from stanch.mechanics.rheology.records import MODELS
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]
GEOMETRY = Geometry(3e-3, 8e-3, 4e-3, 0.45e-3, 2.2e-3, 0.19e-3)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -1e-3)
FRAMES = 1.25e-4 * np.arange(1, 65)
SD = 0.1e-6
TABLE = zero_flux_table(GEOMETRY, depth=np.zeros(1), rows=30)
CELLS = 20.0
MEDIA: dict[str, dict[str, float]] = {
    "kelvin_voigt": {"modulus": 100.0, "viscosity": 0.05},
    "spring_pot": {"pot": 60.0, "order": 0.15},
    "fractional_kelvin_voigt": {"modulus": 100.0, "pot": 3.0, "order": 0.5},
    "zener": {"modulus": 100.0, "branch": 60.0, "relaxation": 2e-3},
}


def pushes(model: str, count: int, seed: int) -> Displacement:
    """Traces of one medium in a frozen clot, with the noise of a reference averaged over two lines."""
    rng = np.random.default_rng(seed)
    force = 8e-6 / plain.trace(TABLE, 100.0, 0.024, 1.0, ACQUISITION, FRAMES).max()
    rows = [response.trace(TABLE, model, MEDIA[model], force, ACQUISITION, FRAMES, order=k) for k in (0, 1)]
    value = rows[0] + np.sqrt(0.5 / (CELLS - 1)) * rng.normal() * rows[1]
    value = value + rng.normal(0.0, SD, (count, FRAMES.size)) + rng.normal(0.0, SD / np.sqrt(2), (count, 1))
    ones: Floats = np.ones(count)
    return Displacement(
        push_time=np.asarray(6.0 * np.arange(count), dtype=np.float64),
        frame_time=np.asarray(FRAMES, dtype=np.float64),
        value=value,
        sd=np.full(value.shape, SD),
        step_sd=np.zeros(value.shape),
        shared_sd=SD / np.sqrt(2) * ones,
        weight=np.ones(value.shape),
        depth=np.zeros(1),
        sensitivity=ones[:, None],
        speckle_cells=CELLS * ones,
        coherence=ones,
        link=np.ones((count, count)),
        slow_shift=0 * ones,
        slow_coherence=0 * ones,
        zone_coherence=ones[:, None],
        energy=ones[:, None],
        energy_depth=np.zeros(1),
        flags=np.zeros(count, dtype=np.int64),
        estimator="drawn",
    )


def least(job: Callable[[], object], repeats: int) -> float:
    """Least processor time of several runs, after one that compiles [s]."""
    job()
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        job()
        best = min(best, time.process_time() - start)
    return best


def evaluation(model: str, repeats: int) -> float:
    """Of the response with all derivatives [s]."""
    count = 500
    x = np.tile(to_search(model, MEDIA[model], 100.0), (count, 1))
    path = contour(FRAMES, ACQUISITION.push_duration)
    scale = TABLE.eigenvalue / ACQUISITION.density
    c = np.tile(plain.coupling(TABLE) / ACQUISITION.density, (count, 1))
    out = np.zeros((count, 1 + x.shape[1], FRAMES.size))
    after = int(np.searchsorted(FRAMES, path.duration, side="right"))

    def job() -> None:
        kernel.respond_all(
            kernel.KINDS[model],
            x,
            200.0 * np.pi,
            c,
            scale,
            FRAMES,
            0,
            after,
            path.duration,
            path.node,
            path.matrix,
            out,
        )

    return least(job, repeats) / count


def error() -> float:
    """Largest deviation from the closed form, over the peak, of 200 Kelvin-Voigt media, frames to 100 ms [-]."""
    frames = np.concatenate([FRAMES[:40], np.geomspace(5.2e-3, 0.1, 24)])
    rng, worst = np.random.default_rng(1), 0.0
    for _ in range(200):
        g, eta = np.exp(rng.uniform(np.log(0.1), np.log(4000.0))), np.exp(rng.uniform(np.log(1e-3), 0.0))
        want = plain.trace(TABLE, g, eta, 1.0, ACQUISITION, frames)
        got = response.trace(TABLE, "kelvin_voigt", {"modulus": g, "viscosity": eta}, 1.0, ACQUISITION, frames)
        worst = max(worst, float(np.abs(got - want).max() / np.abs(want).max()))
    return worst


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=240, help="pushes of a well")
    parser.add_argument("--repeats", type=int, default=5, help="runs, of which the fastest counts")
    options = parser.parse_args()
    print(f"largest error against the closed form: {error():.1e} of the peak")
    print("model                     evaluation   fit, no speckle   well      fit, speckle    well")
    for name in ("invert", *MODELS):
        model = "kelvin_voigt" if name == "invert" else name
        displacement = pushes(model, options.pushes, 1)
        cells = []
        for speckle in (False, True):
            settings = InvertSettings(speckle=speckle, threads=1)

            def job(
                settings: InvertSettings = settings, displacement: Displacement = displacement, name: str = name
            ) -> object:
                given = (displacement, TABLE, ACQUISITION, GEOMETRY)
                if name == "invert":
                    return invert(*given, settings)
                return fit(*given, model=name, settings=settings)  # type: ignore[arg-type]

            cells.append(least(job, options.repeats))
        once = "" if name == "invert" else f"{1e6 * evaluation(model, options.repeats):8.0f} us"
        print(
            f"{name:24s} {once:>12s} "
            + "   ".join(f"{1e3 * c / options.pushes:8.3f} ms/push {c:7.3f} s" for c in cells)
        )


if __name__ == "__main__":
    main()
