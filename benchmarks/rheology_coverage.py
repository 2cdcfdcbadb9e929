"""Whether intervals of G' and loss tangent cover, and what each model says about the same media.

Displacement with known truth, drawn from the record's own noise model: 64 frames at 8 kHz, or to 100 ms at growing
distances, force such that a Kelvin-Voigt clot of 100 Pa peaks at 8 um, speckle weighting off. For each medium: how
often the 95 % intervals of the right model cover, median error and scatter of its G' at 100 Hz, that scatter over what
the intervals say, then the median G' at 100 Hz and loss tangent by every model and how often the evidence of one push
is highest for the right one.

    python benchmarks/rheology_coverage.py
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
from rheology_rate import ACQUISITION, FRAMES, GEOMETRY, TABLE, pushes

from stanch.echo.records import Displacement
from stanch.mechanics import response as plain
from stanch.mechanics.invert import InvertSettings
from stanch.mechanics.rheology import response
from stanch.mechanics.rheology.fit import compare, fit
from stanch.mechanics.rheology.models import relaxance
from stanch.mechanics.rheology.records import MODELS, ModelName

LONG = np.concatenate([FRAMES[:40], np.geomspace(5.2e-3, 0.1, 24)])
SETTINGS = InvertSettings(speckle=False)
MEDIA: tuple[tuple[ModelName, dict[str, float]], ...] = (
    ("kelvin_voigt", {"modulus": 100.0, "viscosity": 0.024}),
    ("spring_pot", {"pot": 0.5, "order": 0.7}),
    ("spring_pot", {"pot": 0.5, "order": 0.5}),
    ("spring_pot", {"pot": 60.0, "order": 0.15}),
    ("spring_pot", {"pot": 500.0, "order": 0.1}),
    ("fractional_kelvin_voigt", {"modulus": 100.0, "pot": 3.0, "order": 0.5}),
    ("zener", {"modulus": 100.0, "branch": 60.0, "relaxation": 2e-3}),
)


def drawn(model: str, medium: dict[str, float], time: np.ndarray, sd: float, count: int, seed: int) -> Displacement:
    """Pushes into one medium."""
    rng = np.random.default_rng(seed)
    force = 8e-6 / plain.trace(TABLE, 100.0, 0.024, 1.0, ACQUISITION, FRAMES).max()
    clean = response.trace(TABLE, model, medium, force, ACQUISITION, time)
    value = clean + rng.normal(0.0, sd, (count, time.size)) + rng.normal(0.0, sd / np.sqrt(2), (count, 1))
    return replace(
        pushes(model, count, 1), frame_time=time, value=value, sd=np.full(value.shape, sd),
        shared_sd=np.full(count, sd / np.sqrt(2)), link=None,
    )  # fmt: skip


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=1000, help="pushes for every coverage")
    parser.add_argument("--compared", type=int, default=100, help="pushes fitted with every model")
    parser.add_argument("--straight", action="store_true", help="intervals from the curvature at the minimum")
    options = parser.parse_args()
    settings = replace(SETTINGS, profiles=not options.straight)
    given = (TABLE, ACQUISITION, GEOMETRY)
    for frames, time in (("8 ms", FRAMES), ("100 ms", LONG)):
        for at, (model, medium) in enumerate(MEDIA):
            g = complex(relaxance(model, medium, 2j * math.pi * 100.0))
            for sd in (1e-7, 3e-7, 1e-6):
                seed = 100 * at + round(sd * 1e8)
                displacement = drawn(model, medium, time, sd, options.pushes, seed)
                got = fit(displacement, *given, model=model, settings=settings)
                r, u = got.rheology, got.usable
                assert r is not None
                inside = np.mean((got.modulus_low[u] <= g.real) & (g.real <= got.modulus_high[u]))
                away = np.abs(r.log_loss_tangent[u] - math.log(g.imag / g.real))
                tangent = np.mean(away < 1.959964 * r.log_loss_tangent_sd[u])
                score = (got.log_modulus[u] - math.log(g.real + 10.0)) / np.sqrt(np.diag(got.covariance)[u])
                print(
                    f"{frames} {sd * 1e6:.1f} um {model} {medium}: G' {g.real:.1f} Pa, "
                    f"loss tangent {g.imag / g.real:.2f}, peak/noise {displacement.value.mean(axis=0).max() / sd:.0f}, "
                    f"usable {100 * u.mean():.1f} %, covered G' {100 * inside:.1f} %, "
                    f"loss tangent {100 * tangent:.1f} %, "
                    f"median error {100 * (np.median(got.modulus[u]) / g.real - 1):+.2f} %, "
                    f"scatter {100 * np.std(got.modulus[u]) / g.real:.2f} %, over the intervals {np.std(score):.2f}"
                )
                few = drawn(model, medium, time, sd, options.compared, seed + 7)
                evidence = compare(few, *given, settings=settings)
                best = np.array(list(evidence))[np.argmax(list(evidence.values()), axis=0)]
                said = []
                for name in MODELS:
                    other = fit(few, *given, model=name, settings=settings)
                    o = other.rheology
                    assert o is not None
                    tan = np.nanmedian(o.loss / o.storage)
                    factor = np.nanmean(evidence[name] - evidence[model])
                    said.append(f"{name} {np.nanmedian(o.storage):.1f} Pa, {tan:.2f}, log factor {factor:+.1f}")
                print(f"    {'; '.join(said)}; right one picked {100 * np.mean(best == model):.0f} %", flush=True)


if __name__ == "__main__":
    main()
