"""Gel time of wells of virtual blood whose clot is a critical gel, as every rheology reads it.

    python benchmarks/rheology_study.py gel_time --runs 6

Healthy virtual donors, strong tissue factor; a push every 6 s until ten minutes after gelation; displacement with white
noise, no speckle. The truth is where the loss tangent at 100 Hz of the course itself stays at or below 1 for a minute.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from rheology_study import ACQUISITION, FORCE, FREQUENCY, GEOMETRY, KINDS, WINDOWS, fit_all, frame_times_of

NOISES = (0.05e-6, 0.2e-6)
INTERVAL = 6.0
AFTER = 600.0


def growing(runs: int, seed: int) -> list[Any]:
    """Courses of wells of as many healthy donors."""
    from stanch.virtual.blood.choices import Choices
    from stanch.virtual.blood.expect import DEMO_WELLS, courses
    from stanch.virtual.blood.population import draw

    choices = Choices(rheology="critical_gel", frequency=FREQUENCY)
    return [courses(p.composition, [DEMO_WELLS["base"]], choices)[0] for p in draw("healthy", runs, seed)]


def truth_of(course: Any, definitions: Any, end: float) -> dict[str, float]:
    """Gel time and onset of a course, NaN where it has none [s]."""
    from stanch.virtual.true_readings import true_readings

    found = true_readings({"well": course}, definitions, end=end, frequency=FREQUENCY)["well"]
    return {key: math.nan if found[key].value is None else found[key].value for key in ("gel_time", "onset")}


def gel_time_rows(runs: int, seed: int) -> list[dict[str, Any]]:
    """One row for each well, noise, window and model."""
    from stanch.curve.posterior import smooth
    from stanch.echo.given import from_displacement
    from stanch.mechanics.table import spectral_table
    from stanch.readings.definitions import Definitions
    from stanch.readings.read import read_well
    from stanch.virtual.traces import gate, traces

    definitions = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)
    seen = gate(GEOMETRY, -0.8 * GEOMETRY.push_length, 0.8 * GEOMETRY.push_length)
    rows: list[dict[str, Any]] = []
    for number, course in enumerate(growing(runs, seed)):
        if not math.isfinite(course.start) or course.start > 2400.0:
            continue
        push_time = np.arange(INTERVAL / 2, course.start + AFTER, INTERVAL)
        truth = truth_of(course, definitions, float(push_time[-1]))
        media = [course.material(float(t)) for t in push_time]
        for window in WINDOWS:
            time = frame_times_of(window)
            table = spectral_table(GEOMETRY, density=ACQUISITION.density, push_duration=2e-4, frame_time=time[2:])
            for noise in NOISES:
                rng = np.random.default_rng([seed, number, len(window), round(noise * 1e9)])
                made = traces(
                    seen, time[2:], media, None, FORCE,
                    density=ACQUISITION.density, push_duration=2e-4, noise=noise, rng=rng, reference_frames=10**12,
                )  # fmt: skip
                still = noise * rng.standard_normal((push_time.size, 2))
                values = np.concatenate([still, made.displacement], axis=1)
                moved = from_displacement(values, push_time, time, ACQUISITION, GEOMETRY, sd=noise)
                fits = fit_all(moved, table, GEOMETRY, ACQUISITION)
                evidence = fits.evidence()
                near = (np.abs(push_time - truth["gel_time"]) < 30.0) & np.isfinite(evidence).all(axis=0)
                best = evidence[:, near].sum(axis=1)
                for place, model in enumerate(KINDS):
                    curve = smooth(fits.by_model[model], seed=number)
                    readings = read_well(curve, definitions, seed=number)
                    row = {"well": number, "window": window, "noise_um": 1e6 * noise, "model": model}
                    for key in ("gel_time", "onset"):
                        e = readings[key].estimate
                        row[f"{key}_true_s"] = truth[key]
                        row[f"{key}_s"] = math.nan if e.value is None else e.value
                        row[f"{key}_low_s"] = math.nan if e.low is None else e.low
                        row[f"{key}_high_s"] = math.nan if e.high is None else e.high
                        row[f"{key}_status"] = e.status
                    row["log_evidence_near"] = float(best[place])
                    rows.append(row)
    return rows
