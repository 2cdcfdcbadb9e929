"""Signs of one-factor changes of virtual blood, against a table that was committed before the model was first run.

    python benchmarks/blood_directions.py --baselines 200 --csv benchmarks/results/blood-directions.csv

Each baseline is a random sample; each change is made to it alone, and the readings that a perfect analysis would find
are compared. `right` is a change of the expected sign beyond the tolerance (or inside it, where no change is expected),
`flat` a change inside the tolerance where one was expected, `wrong` the opposite sign or a change where none was
expected, `none` a reading without a value on either side. Nothing is edited away: the table says what was found.
"""

from __future__ import annotations

import argparse
import csv
import math
import subprocess
import tomllib
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from stanch.quantities import parse_quantity
from stanch.virtual.blood.records import Composition, Contents

TABLE = Path(__file__).resolve().parent.parent / "tests" / "virtual" / "blood" / "directions.toml"
LOW_WELLS = ("low", "low + neutraliser")
BLOCKED = ("base + blocker", "base + both")
KEPT = ("base + antifibrinolytic", "base + both")
COLUMNS = (
    "change",
    "reading",
    "of",
    "expected",
    "right",
    "flat",
    "wrong",
    "none",
    "median_change",
    "lowest",
    "highest",
    "seed",
    "commit",
)
_KINDS = {"heparin": "arbitrary activity", "tpa": "amount concentration", "base_neutraliser": "arbitrary activity"}


@dataclass(frozen=True)
class Sample:
    """One virtual sample and the wells it is read in."""

    composition: Composition
    wells: Mapping[str, Contents]


def baseline(seed: int, index: int) -> Sample:
    """A random sample; ranges as the table states them."""
    from stanch.virtual.blood.expect import DEMO_WELLS

    rng = np.random.default_rng([seed, index])
    factors = {name: rng.uniform(0.6, 1.4) for name in ("II", "V", "VII", "VIII", "IX", "X", "XI", "XII", "XIII")}
    composition = Composition(
        fibrinogen=rng.uniform(1.5, 4.5),
        platelets=1e12 * rng.uniform(80.0, 400.0),
        haematocrit=rng.uniform(0.25, 0.50),
        factors=factors,
        antithrombin=rng.uniform(0.6, 1.3),
        tpa=1e-6 * rng.uniform(0.05, 0.6),
        antiplasmin=rng.uniform(0.6, 1.3),
    )
    first = next(iter(DEMO_WELLS.values()))
    return Sample(composition, {**DEMO_WELLS, "contact": Contents("contact", blood_share=first.blood_share)})


def changed(sample: Sample, changes: Mapping[str, str]) -> Sample:
    """The sample with every change of one entry of the table."""
    composition, wells = sample.composition, dict(sample.wells)
    for key, text in changes.items():
        if key == "low_tissue_factor":
            for name in LOW_WELLS:
                wells[name] = replace(wells[name], tissue_factor=_new(key, text, wells[name].tissue_factor))
        elif key in ("block_fraction", "antifibrinolytic"):
            for name in BLOCKED if key == "block_fraction" else KEPT:
                wells[name] = replace(wells[name], **{key: _new(key, text, getattr(wells[name], key))})
        elif key == "base_neutraliser":
            wells["base"] = replace(wells["base"], neutraliser=_new(key, text, wells["base"].neutraliser))
        elif key == "temperature":
            wells = {name: replace(w, temperature=_new(key, text, w.temperature)) for name, w in wells.items()}
        elif key[0].isupper():
            new = _new(key, text, composition.factor(key))
            composition = replace(composition, factors={**composition.factors, key: new})
        else:
            composition = replace(composition, **{key: _new(key, text, getattr(composition, key))})
    return Sample(composition, wells)


def _new(key: str, text: str, old: float) -> float:
    how, number = text.split(" ", 1)
    if how == "x":
        return old * float(number)
    kind = "temperature" if key == "temperature" else _KINDS.get(key, "ratio")
    value = parse_quantity(number, kind, key)
    return old + value if how == "+" else value


def readings(sample: Sample, duration: float) -> dict[tuple[str, str], float]:
    """What the table speaks of, by (reading, well or contrast) [SI unit]; NaN without a value, inf if never reached."""
    from stanch.readings.assay import load_assay
    from stanch.recording.records import Additive, Well
    from stanch.virtual.blood.expect import courses
    from stanch.virtual.true_contrasts import TrueWell, true_contrasts
    from stanch.virtual.true_readings import true_curve, true_readings

    assay = load_assay((files("stanch.virtual") / "demo" / "assay.toml").read_text("utf-8"), where="assay.toml")
    definitions = assay.definitions()
    made = dict(zip(sample.wells, courses(sample.composition, tuple(sample.wells.values()), duration=duration)))
    known = true_readings(made, definitions, end=duration)
    wells = {
        w.name: TrueWell(
            Well(w.name, w.activator, tuple(Additive(a) for a in w.additives)),
            true_curve(made[w.name], 0.0, duration),
            known[w.name],
        )
        for w in assay.wells
    }
    out = {(key, name): _number(e) for name, found in known.items() for key, e in found.items()}
    contrasts = true_contrasts(wells, assay.contrasts, definitions)
    out |= {("contrast", name): _number(e) for name, e in contrasts.items()}
    return out | {("viscosity", name): float(course.viscosity(0.0)) for name, course in made.items()}


def _number(estimate: Any) -> float:
    if estimate.value is not None:
        return float(estimate.value)
    return math.inf if estimate.status == "above" and estimate.unit == "s" else math.nan


def sign(before: float, after: float, tolerance: float) -> tuple[str, float]:
    """Sign of a change and its size relative to the larger of both; never reached counts as later."""
    if math.isnan(before) or math.isnan(after) or (math.isinf(before) and math.isinf(after)):
        return "", math.nan
    if math.isinf(before) or math.isinf(after):
        return ("+", math.inf) if math.isinf(after) else ("-", -math.inf)
    size = (after - before) / max(abs(before), abs(after), 1e-300)
    return ("0" if abs(size) <= tolerance else "+" if size > 0 else "-"), size


def one_baseline(seed: int, index: int, duration: float) -> list[tuple[str, str, str, str, str, float]]:
    """Change, reading, of, expected sign, sign found and size, for every line of the table."""
    table = tomllib.loads(TABLE.read_text("utf-8"))
    sample = baseline(seed, index)
    before = readings(sample, duration)
    rows = []
    for change in table["change"]:
        after = readings(changed(sample, change["set"]), duration)
        for kind, name, expected in change["signs"]:
            found, size = sign(before[kind, name], after[kind, name], table["tolerance"])
            rows.append((change["name"], kind, name, expected, found, size))
    return rows


def study(baselines: int, seed: int, duration: float, processes: int) -> list[dict[str, Any]]:
    """Count signs over random baselines."""
    jobs = (range(baselines),)
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            runs = list(pool.map(one_baseline, [seed] * baselines, *jobs, [duration] * baselines, chunksize=4))
    else:
        runs = [one_baseline(seed, i, duration) for i in range(baselines)]
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=TABLE.parent, capture_output=True, text=True, check=False
    ).stdout.strip()
    out = []
    for line in zip(*runs, strict=True):
        change, kind, name, expected = line[0][:4]
        verdicts = Counter(_verdict(expected, row[4]) for row in line)
        sizes = np.array([row[5] for row in line])
        sizes = np.clip(sizes[~np.isnan(sizes)], -1.0, 1.0)
        middle, low, high = (float(np.quantile(sizes, q)) if sizes.size else math.nan for q in (0.5, 0.0, 1.0))
        counts = [verdicts[word] for word in ("right", "flat", "wrong", "none")]
        numbers = [f"{x:.4f}" for x in (middle, low, high)]
        out.append(dict(zip(COLUMNS, (change, kind, name, expected, *counts, *numbers, seed, commit), strict=True)))
    return out


def _verdict(expected: str, found: str) -> str:
    if not found:
        return "none"
    if found == expected:
        return "right"
    return "flat" if found == "0" else "wrong"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--baselines", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--csv", type=Path)
    given = parser.parse_args()
    rows = study(given.baselines, given.seed, 60.0 * given.minutes, given.processes)
    widths = (48, 14, 28)
    print(f"{'change':48}{'reading':14}{'of':28}{'sign':5}{'right':>6}{'flat':>6}{'wrong':>6}{'none':>6}{'median':>9}")
    for row in rows:
        lead = "".join(f"{row[key]!s:{width}}" for key, width in zip(COLUMNS[:3], widths, strict=True))
        counts = "".join(f"{row[key]:6d}" for key in ("right", "flat", "wrong", "none"))
        print(f"{lead}{row['expected']:5}{counts}{row['median_change']:>9}")
    total = {key: sum(row[key] for row in rows) for key in ("right", "flat", "wrong", "none")}
    print(", ".join(f"{number} {word}" for word, number in total.items()))
    if given.csv is not None:
        given.csv.parent.mkdir(parents=True, exist_ok=True)
        with given.csv.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    main()
