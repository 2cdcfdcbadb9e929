"""Tables that any measuring method needs: precision, linearity, limits, comparison, control, rounds."""

from __future__ import annotations

import numpy as np

from stanch.virtual.laboratory.people import Bench, donors, measured

__all__ = [
    "budget_inputs",
    "budget_settings",
    "chart",
    "fresh",
    "gel_days",
    "heparin",
    "lysis",
    "mixing",
    "pairs",
    "pin",
    "quality_round",
    "two_lots",
    "volunteers",
]

Columns = dict[str, list[object]]
BENCH = Bench()


def _columns(names: str, rows: list[tuple[object, ...]]) -> Columns:
    return {name: [row[k] for row in rows] for k, name in enumerate(names.split())}


def gel_days(rng: np.random.Generator) -> Columns:
    """A control gel keeps, blood does not: day, run and repeat of one gel of 310 Pa."""
    rows: list[tuple[object, ...]] = []
    for day in range(1, 21):
        of_day = BENCH.day * rng.standard_normal()
        for run in (1, 2):
            of_run = BENCH.run * rng.standard_normal()
            rows += [(day, run, well, measured(rng, 310.0, of_day, of_run)) for well in (1, 2)]
    return _columns("day run well plateau_pa", rows)


def fresh(rng: np.random.Generator) -> Columns:
    """Each donor once, in two runs by two operators, each run in duplicate wells."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 30):
        for run, operator in ((1, "A"), (2, "B")):
            shift = BENCH.run * rng.standard_normal() + (0.006 if operator == "B" else -0.006)
            rows += [(donor.name, run, operator, well, measured(rng, donor.plateau, shift)) for well in (1, 2)]
    return _columns("donor run operator well plateau_pa", rows)


def pairs(rng: np.random.Generator) -> Columns:
    """Base and blocked wells in duplicate; a shift of the run is shared by all four."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 36, 101):
        shift = BENCH.run * rng.standard_normal()
        blocked = donor.plateau * donor.fibrin_share
        for copy in (1, 2):
            rows.append((donor.name, copy, "base", measured(rng, donor.plateau, shift)))
            rows.append((donor.name, copy, "base + blocker", measured(rng, blocked, shift, sd=0.045)))
    return _columns("donor duplicate well plateau_pa", rows)


def mixing(rng: np.random.Generator) -> Columns:
    """Seven mixtures in triplicate, with a curvature that matters little."""
    rows: list[tuple[object, ...]] = []
    for share in (0, 10, 25, 40, 60, 80, 100):
        assigned = 60.0 + 8.4 * share
        truth = assigned * (1 + 0.03 * (share / 100 - 0.5) ** 2)
        rows += [(share, assigned, copy, measured(rng, truth, sd=0.025)) for copy in (1, 2, 3)]
    return _columns("strong_share_percent assigned_pa repeat plateau_pa", rows)


def lysis(rng: np.random.Generator) -> Columns:
    """Loss rates scatter about zero without lysis; weak lysis by a plasminogen activator shifts them."""
    rows: list[tuple[object, ...]] = []
    for sample in range(1, 61):
        rows.append((f"none-{sample:02d}", "none", 0.0, float(0.045 * rng.standard_normal())))
    for sample in range(1, 31):
        true = 0.1 if sample <= 15 else 0.25
        rows.append((f"weak-{sample:02d}", "weak", true, float(true + 0.05 * rng.standard_normal())))
    return _columns("pair lysis true_rate_percent_per_min loss_rate_percent_per_min", rows)


def pin(rng: np.random.Generator) -> Columns:
    """The same blood in the base well and on a torsion pin of half-scale modulus 500 Pa."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 84, 201):
        truth = donor.plateau * float(np.exp(0.35 * rng.standard_normal()))
        swing = 100 * truth * 1.04 / (500 + truth * 1.04)
        rows.append((donor.name, measured(rng, truth, sd=0.04), float(swing + 0.9 * rng.standard_normal())))
    return _columns("sample plateau_pa pin_amplitude", rows)


def volunteers(rng: np.random.Generator) -> Columns:
    """168 volunteers; wells that had not set after 4.2 min were not waited for."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 168, 301):
        onset = measured(rng, donor.onset, sd=0.04) / 60
        rows.append((donor.name, donor.sex, measured(rng, donor.plateau), onset if onset <= 4.2 else ">4.2"))
    return _columns("donor sex plateau_pa onset_min", rows)


def chart(rng: np.random.Generator) -> Columns:
    """70 days of two gels; from day 58 both read 6 % low, as after a change of the gel's buffer."""
    rows: list[tuple[object, ...]] = []
    for day in range(1, 71):
        shift = 0.012 * rng.standard_normal() + (np.log(0.94) if day >= 58 else 0.0)
        rows += [(day, gel, measured(rng, truth, shift, sd=0.022)) for gel, truth in (("soft", 95.0), ("stiff", 420.0))]
    return _columns("day gel plateau_pa", rows)


def two_lots(rng: np.random.Generator) -> Columns:
    """26 samples with both activator lots; the new lot is 2 % slower."""
    rows: list[tuple[object, ...]] = []
    for donor in donors(rng, 26, 501):
        shift = 0.02 * rng.standard_normal()
        old, new = (measured(rng, donor.onset / 60, shift, lot, sd=0.03) for lot in (0.0, 0.02))
        rows.append((donor.name, old, new))
    return _columns("sample old_lot_min new_lot_min", rows)


def heparin(rng: np.random.Generator) -> Columns:
    """Onset ratio without over with neutraliser, 64 samples without and 48 with heparin found otherwise."""
    rows: list[tuple[object, ...]] = []
    for sample in range(1, 113):
        present = sample > 64
        effect = float(np.exp(abs(rng.normal(0.62, 0.42)))) if present else 1.0
        ratio = measured(rng, effect, sd=0.075)
        other = measured(rng, effect**0.7, sd=0.16)
        rows.append((f"demo-{600 + sample}", "yes" if present else "no", ratio, other))
    return _columns("sample heparin onset_ratio other_ratio", rows)


def quality_round(rng: np.random.Generator) -> Columns:
    """16 laboratories and two gels; one laboratory reads 14 % high, one scatters."""
    rows: list[tuple[object, ...]] = []
    for lab in range(1, 17):
        bias = 0.03 * rng.standard_normal() + (0.13 if lab == 11 else 0.0)
        for gel, truth in (("gel P", 180.0), ("gel Q", 390.0)):
            sd = 0.09 if lab == 6 else 0.025
            value = measured(rng, truth, bias, sd=sd)
            rows.append((f"laboratory {lab:02d}", gel, value, 0.04 * value))
    return _columns("laboratory gel plateau_pa standard_uncertainty_pa", rows)


def budget_inputs(rng: np.random.Generator) -> Columns:
    """Relative inputs of a modulus: each multiplies it with its own power, as the model of the budget says."""
    del rng  # nothing here is drawn
    rows: list[tuple[object, ...]] = [
        ("well_radius", 1.0, 0.006, "normal", None, "systematic", "drawing, and 12 wells under a microscope"),
        ("density", 1.0, 0.003, "rectangular", None, "systematic", "haematocrit known to 5 %"),
        ("push_radius", 1.0, 0.04, "normal", 8, "systematic", "hydrophone scan"),
        ("push_length", 1.0, 0.05, "normal", 8, "systematic", "hydrophone scan"),
        ("temperature", 1.0, 0.004, "rectangular", None, "systematic", "three probes over a week"),
        ("repeatability", 1.0, 0.034, "normal", 60, "random", "fresh duplicates"),
        ("run", 1.0, 0.018, "normal", 29, "random", "fresh duplicates"),
    ]
    return _columns("input value standard_uncertainty distribution df kind source", rows)


def budget_settings(rng: np.random.Generator) -> Columns:
    """Settings of the demo recording in SI units, for a budget that analyses it again."""
    del rng  # nothing here is drawn
    rows: list[tuple[object, ...]] = [
        ("well_radius", 2.8e-3, 17e-6, "m", "normal", None, "drawing, and 12 wells under a microscope"),
        ("push_radius", 0.40e-3, 12e-6, "m", "normal", 8, "hydrophone scan"),
        ("push_length", 2.2e-3, 80e-6, "m", "normal", 8, "hydrophone scan"),
        ("beam_radius", 0.19e-3, 8e-6, "m", "normal", 8, "hydrophone scan"),
        ("density", 1045.0, 3.0, "kg/m^3", "rectangular", None, "haematocrit known to 5 %"),
        ("sound_speed", 1575.0, 4.0, "m/s", "rectangular", None, "temperature of the block"),
    ]
    return _columns("name value uncertainty unit shape df source", rows)
