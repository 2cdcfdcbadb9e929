"""Late frames of a gel whose scatterers change while they are taken: what the fit with the right model says.

Echoes of a weak gel out to 100 ms. Within a push the echo field decorrelates as exp(-t/T) in amplitude: an
autoregressive mixture of as many sets of scatterers as there are late frames. T is infinite in a frozen gel.
From push to push the scatterers are drawn anew, as in moving blood, so pushes are independent.

    python benchmarks/rheology_moving.py
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from rheology_study import FORCE, FREQUENCY, HERE, OMEGA, Z95
from scipy.stats import binom

from stanch.echo.records import Displacement
from stanch.echo.track import track
from stanch.mechanics.rheology.fit import fit
from stanch.mechanics.settings import InvertSettings
from stanch.mechanics.table import spectral_table
from stanch.virtual.echoes import draw_scatterers, echo_lines
from stanch.virtual.gel import Gel
from stanch.virtual.instrument import VirtualWell
from stanch.virtual.material import Material
from stanch.virtual.scenario import load_scenario

GROUP = 9
"""Early frames between which the scatterers stay the same [-]."""


def echoes(well: VirtualWell, constant: float, level: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Lines of one push into fresh scatterers that decorrelate with a time constant [s]."""
    field, _ = well.field(0.0)
    time = well.frame_time
    low, high = float(well.modes.depth[0]), float(well.modes.depth[-1])
    still = np.zeros(time.size)
    samples = well._scenario.acquisition.samples
    per_cell = well._scenario.instrument.scatterers_per_cell

    def lines() -> NDArray[np.float64]:
        drawn = draw_scatterers(rng, well.pulse, low, high, per_cell=per_cell, reach=3.0)
        return np.asarray(echo_lines(drawn, field, still, well.pulse, samples), dtype=float)

    here = lines()
    out = here.copy()
    if math.isfinite(constant):
        early = np.flatnonzero(np.diff(time) < 0.2e-3).size + 1
        edges = [*range(GROUP, early, GROUP), *range(early, time.size)]
        for at, first in enumerate(edges):
            before = edges[at - 1] if at else 0
            keep = math.exp(-(time[first] - time[before]) / constant)
            here = keep * here + math.sqrt(1.0 - keep * keep) * lines()
            last = edges[at + 1] if at + 1 < len(edges) else time.size
            out[first:last] = here[first:last]
    out /= math.sqrt(per_cell / 2)
    noisy: NDArray[np.float64] = 900.0 * (out + 10 ** (-level / 20) * rng.standard_normal(out.shape))
    return noisy


def shortened(moved: Displacement, count: int) -> Displacement:
    """The first frames alone."""
    cut = {name: getattr(moved, name)[:, :count] for name in ("value", "sd", "step_sd", "weight")}
    return replace(moved, frame_time=moved.frame_time[:count], **cut)


def main() -> None:
    """Print a row for every time constant and medium."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=100, help="of every medium and time constant")
    parser.add_argument("--level", type=float, default=26.0, help="echo over noise [dB]")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    given = load_scenario(HERE.parent / "examples" / "gel" / "scenario.toml")
    update = {
        "acquisition": given.acquisition.model_copy(update={"late_frames": 12, "last_frame": 0.1}),
        "instrument": given.instrument.model_copy(update={"push_force": FORCE}),
    }
    scenario = given.model_copy(update=update)
    acquisition, geometry = scenario.acquisition_record(), scenario.geometry.record()
    media = {
        "spring_pot": Material(0.0, pot=math.hypot(5.0, 5.0) / OMEGA**0.5, order=0.5),
        "kelvin_voigt": Material(20.0, viscosity=0.3 * 20.0 / OMEGA),
    }
    for model, medium in media.items():
        well = VirtualWell(scenario, 0, options.seed, Gel(medium))
        storage, tangent = medium.storage(FREQUENCY), medium.loss_tangent(FREQUENCY)
        for constant in (math.inf, 10.0, 2.0, 0.5):
            rng = np.random.default_rng([options.seed, round(10 * min(constant, 1e6))])
            block = np.stack([echoes(well, constant, options.level, rng) for _ in range(options.pushes)])
            times = 6.0 * np.arange(options.pushes)
            moved = track(block, times, well.frame_time, acquisition, geometry)
            table = spectral_table(
                geometry, density=acquisition.density, push_duration=acquisition.push_duration,
                frame_time=moved.frame_time,
            )  # fmt: skip
            said = []
            for words, count in (("8 ms", moved.frame_time.size - 12), ("100 ms", moved.frame_time.size)):
                part = shortened(moved, count)
                got = fit(
                    part, table, acquisition, geometry, model=model, frequency=FREQUENCY,
                    settings=InvertSettings(threads=1),
                )  # fmt: skip
                r, u = got.rheology, got.usable
                assert r is not None
                held = int(np.count_nonzero((got.modulus_low[u] <= storage) & (storage <= got.modulus_high[u])))
                away = np.abs(r.log_loss_tangent[u] - math.log(tangent))
                both = int(np.count_nonzero(away < Z95 * r.log_loss_tangent_sd[u]))
                n = int(u.sum())
                p = [binom.cdf(k, n, 0.95) for k in (held, both)]
                said.append(
                    f"{words}: {n} usable, G' {np.median(got.modulus[u]) / storage - 1:+.2%}, held {held / n:.1%} "
                    f"(p {p[0]:.2g}), loss tangent {both / n:.1%} (p {p[1]:.2g})"
                    f", chi2 {np.median(got.reduced_chi2[u]):.2f}, SD of G' {np.std(got.modulus[u]) / storage:.1%}"
                )
            print(f"{model}, T {constant:g} s: " + "; ".join(said), flush=True)


if __name__ == "__main__":
    main()
