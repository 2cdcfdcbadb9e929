"""Straight intervals of G' and those that follow the profile, on the same pushes of small signal.

The media of ``rheology_coverage.py`` with 1 um of noise, and a Zener medium of 5 Pa with 0.1 um, each fitted with the
model that made it: how often the 95 % intervals of G' hold the truth, before and after, and processor time of a push.

    python benchmarks/rheology_intervals.py
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import replace

import numpy as np
from rheology_coverage import LONG, MEDIA, SETTINGS, drawn
from rheology_rate import ACQUISITION, FRAMES, GEOMETRY, TABLE
from rheology_study import medium

from stanch.mechanics.rheology.fit import fit
from stanch.mechanics.rheology.models import relaxance


def main() -> None:
    """Print a row for every medium and window."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=1000, help="of every medium")
    options = parser.parse_args()
    given = (TABLE, ACQUISITION, GEOMETRY)
    soft = medium("zener", 5.0, 0.05)
    weak = {"modulus": soft.equilibrium, "branch": soft.branch, "relaxation": soft.relaxation}
    cases = [(*one, frames, 1e-6) for one in MEDIA for frames in (FRAMES, LONG)]
    for model, parameters, frames, sd in [*cases, ("zener", weak, FRAMES, 1e-7)]:
        g = complex(relaxance(model, parameters, 2j * math.pi * 100.0))  # type: ignore[arg-type]
        displacement = drawn(model, parameters, frames, sd, options.pushes, 100)  # type: ignore[arg-type]
        said = []
        for profiles in (False, True):
            settings = replace(SETTINGS, threads=1, profiles=profiles)
            start = time.process_time()
            got = fit(displacement, *given, model=model, settings=settings)  # type: ignore[arg-type]
            spent = (time.process_time() - start) / options.pushes
            u, r = got.usable, got.rheology
            assert r is not None
            held = np.mean((got.modulus_low[u] <= g.real) & (g.real <= got.modulus_high[u]))
            away = np.abs(got.log_modulus[u] - math.log(g.real + 10.0)) / np.sqrt(np.diag(got.covariance)[u])
            off = np.abs(r.log_loss_tangent[u] - math.log(g.imag / g.real)) / r.log_loss_tangent_sd[u]
            said.append(
                f"{u.sum()} usable, G' held {held:.1%}, by its SD {np.mean(away < 1.96):.1%}, loss tangent "
                f"{np.mean(off < 1.96):.1%}, {1e3 * spent:.1f} ms"
            )
        print(f"{model} {g.real:.3g} Pa, {1e3 * frames[-1]:.0f} ms: straight {said[0]}; profile {said[1]}", flush=True)


if __name__ == "__main__":
    main()
