"""Tables for the questions that only this kind of assay has."""

from __future__ import annotations

import numpy as np

from stanch.virtual.laboratory.people import donors, measured

__all__ = ["blocker", "contact", "curves", "haematocrit", "neutraliser", "push_interval", "rotated", "sample_age"]

Columns = dict[str, list[object]]
WELLS = ("1", "2", "3", "4", "5", "6")


def _columns(names: str, rows: list[tuple[object, ...]]) -> Columns:
    return {name: [row[k] for row in rows] for k, name in enumerate(names.split())}


def curves(rng: np.random.Generator) -> Columns:
    """Base wells of 32 donors every 20 s for an hour, 2.5 % scatter per push above 5 Pa; five of them lyse."""
    time = np.arange(12.0, 3600.0, 20.0)
    rows: list[tuple[object, ...]] = []
    for number, donor in enumerate(donors(rng, 32, 701)):
        growth = donor.base(lysis_rate=1.2e-4 if number % 7 == 3 else 0.0)
        curve = growth.modulus(time)
        seen = curve * np.exp(0.025 * rng.standard_normal(time.size)) + 0.4 * rng.standard_normal(time.size)
        rows += [(donor.name, float(t) / 60, float(max(g, 0.0))) for t, g in zip(time, seen)]
    return _columns("donor time_min modulus_pa", rows)


def haematocrit(rng: np.random.Generator) -> Columns:
    """Ten donors at six haematocrits: more cells, less of everything that makes the network."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 10, 801):
        for percent in (15, 20, 27, 35, 45, 55):
            truth = donor.plateau * (1 - 0.0055 * (percent - 35))
            rows.append((donor.name, percent, measured(rng, truth, sd=0.03)))
    return _columns("donor haematocrit_percent plateau_pa", rows)


def sample_age(rng: np.random.Generator) -> Columns:
    """Twelve donors read from a quarter of an hour to six hours after the draw; one reading is missing."""
    rows: list[tuple[object, ...]] = []
    for number, donor in enumerate(donors(rng, 12, 821)):
        own = 0.004 * rng.standard_normal()
        for hours in (0.25, 1.0, 2.0, 3.0, 4.0, 6.0):
            value = measured(rng, donor.plateau, (-0.011 + own) * hours, sd=0.03)
            rows.append((donor.name, hours, None if (number, hours) == (4, 3.0) else value))
    return _columns("donor hours_from_draw plateau_pa", rows)


def rotated(rng: np.random.Generator) -> Columns:
    """Twelve bloods, a run each, the filling order rotated: every well meets every place. Well 4 reads 2 % low."""
    bias = dict(zip(WELLS, (0.002, -0.003, 0.004, -0.02, 0.001, 0.003)))
    rows: list[tuple[object, ...]] = []
    for run, donor in enumerate(donors(rng, 12, 841)):
        for place in range(6):
            well = WELLS[(place + run) % 6]
            rows.append((donor.name, run + 1, place + 1, well, measured(rng, donor.plateau, bias[well], sd=0.028)))
    return _columns("sample run filling_place well plateau_pa", rows)


def neutraliser(rng: np.random.Generator) -> Columns:
    """Eight donors spiked with heparin; above 1.6 IU/mL the neutraliser no longer suffices."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 8, 861):
        unspiked = measured(rng, 2.2 * donor.onset / 60, sd=0.035)
        for dose in (0.0, 0.2, 0.4, 0.8, 1.2, 1.6, 2.4, 3.2):
            left = max(0.0, dose - 1.6)
            neutralised = measured(rng, 2.2 * donor.onset / 60 * (1 + 0.9 * left), sd=0.035)
            rows.append((donor.name, dose, neutralised, unspiked))
    return _columns("donor heparin_iu_per_ml onset_neutralised_min onset_unspiked_min", rows)


def blocker(rng: np.random.Generator) -> Columns:
    """Two lots of the blocker in 22 donors each; the first leaves 3 % of the platelet part, the second 9 %."""
    rows: list[tuple[object, ...]] = []
    for lot, left, first in (("A", 0.03, 901), ("B", 0.09, 931)):
        for donor in donors(rng, 22, first):
            fibrin = donor.plateau * donor.fibrin_share
            blocked = measured(rng, fibrin + left * (donor.plateau - fibrin), sd=0.035)
            reference = measured(rng, fibrin, sd=0.035)
            rows.append((donor.name, lot, measured(rng, donor.plateau), blocked, reference))
    return _columns("donor lot base_pa blocked_pa without_platelets_pa", rows)


def contact(rng: np.random.Generator) -> Columns:
    """Onset with and without tissue factor in 18 donors; wells that had not set after 40 min were not waited for."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 18, 961):
        blank = float(24.0 * np.exp(0.42 * rng.standard_normal()))
        rows.append((donor.name, measured(rng, donor.onset, sd=0.035) / 60, blank if blank <= 40 else ">40"))
    return _columns("donor onset_min onset_without_tissue_factor_min", rows)


def push_interval(rng: np.random.Generator) -> Columns:
    """Ten bloods, each in four wells pushed at their own interval; pushing changes nothing here."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 10, 881):
        shift = 0.01 * rng.standard_normal()
        for interval in (3, 6, 15, 60):
            onset = measured(rng, donor.onset / 60, shift, sd=0.03)
            rows.append((donor.name, interval, onset, measured(rng, donor.plateau, shift, sd=0.03)))
    return _columns("donor push_interval_s onset_min plateau_pa", rows)
