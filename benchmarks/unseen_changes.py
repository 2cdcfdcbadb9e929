"""What the demo assay cannot see: changes of the blood beside the same blood without them, and how large each must be.

    python benchmarks/unseen_changes.py --donors 60 --exact 200 --reach 50 --csv benchmarks/results

Donors are healthy virtual donors whose readings without noise all lie inside the assay's limits.

**Pairs.** Each donor is read by the short route of ``virtual_patients.py`` (noise, speckle, smoothing),
without and with each change, every run with noise of its own. Counted are donors in whom, because of the change, a rule
is newly supported, a reading or contrast newly lies beyond a limit of the assay with a probability of 95 %, or its
value newly lies outside. A second run of the unchanged blood shows how often noise alone does it, and changes that the
assay is made for show that the count can find something. More donors are counted without noise.

**Reach.** The readings of a perfect analysis, without noise: by how much must one part of the blood change until a
reading newly lies outside the assay's limits? Told is the size at which half of the donors are seen.

Nothing here is evidence about blood. It says what the readings of this assay can and cannot tell apart if blood behaved
as the model does.
"""

from __future__ import annotations

import argparse
import csv
import math
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

import numpy as np

from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.records import Composition, Contents

RESULTS = Path(__file__).resolve().parent / "results"
CERTAIN = 0.95
STEPS = 7  # halvings of the search for a size, on a logarithmic scale
BLOCK = 37.0  # temperature of the wells [Cel]
CONTACT = Contents("contact", blood_share=next(iter(DEMO_WELLS.values())).blood_share)
PARTS = ("any", "base wells")
PAIRS = (
    "change", "expected", "noise", "part", "donors", "rule", "rule_low", "rule_high", "beyond", "beyond_low",
    "beyond_high",
    "crossed", "crossed_low", "crossed_high", "most_often", "onset_low_well", "onset_base_well", "early_modulus_base",
    "fibrin_modulus", "platelet_modulus", "gel_time_contact_well",
)  # fmt: skip
REACH = ("changed", "unit", "direction", "part", "donors", "seen", "at", "half", "quarter", "three_quarters", "first")
FOLLOWED = ("onset: low", "onset: base", "early_modulus: base", "fibrin modulus", "platelet modulus")


@dataclass(frozen=True)
class Blood:
    """A sample and the temperature of the wells it is put into."""

    composition: Composition
    block: float = BLOCK


@dataclass(frozen=True)
class Pair:
    """One donor without and with one change: what is newly out, and each followed value over that without."""

    change: str
    noise: bool
    newly: dict[str, set[str]]
    moved: dict[str, float]


def part(name: str, value: float, way: str = "at most") -> Callable[[Blood], Blood]:
    """Bring one part of the composition to a value [SI], unless it is there or beyond already."""

    def changed(blood: Blood) -> Blood:
        c = blood.composition
        known = hasattr(c, name)
        own = getattr(c, name) if known else c.factor(name)
        new = min(own, value) if way == "at most" else max(own, value)
        change: dict[str, Any] = {name: new} if known else {"factors": {**c.factors, name: new}}
        made = replace(c, **change)
        return replace(blood, composition=made)

    return changed


def warmed(celsius: float) -> Callable[[Blood], Blood]:
    """Wells at another temperature."""
    return lambda blood: replace(blood, block=celsius)


CHANGES: dict[str, tuple[str, Callable[[Blood], Blood]]] = {
    "the same blood again": ("unseen", lambda blood: blood),
    "factor XII at 1 %": ("unseen", part("XII", 0.01)),
    "prekallikrein at 1 %": ("unseen", part("prekallikrein", 0.01)),
    "factor XI at 1 %": ("unseen", part("XI", 0.01)),
    "factor VIII at 25 %": ("unseen", part("VIII", 0.25)),
    "factor IX at 25 %": ("unseen", part("IX", 0.25)),
    "factor VIII at 1 %": ("open", part("VIII", 0.01)),
    "factor IX at 1 %": ("open", part("IX", 0.01)),
    "factor VII at 40 %": ("unseen in base wells", part("VII", 0.40)),
    "factor Xa inhibitor, 3 nmol/L": ("unseen in base wells", part("xa_inhibitor", 3e-6, "at least")),
    "heparin 2 IU/mL": ("unseen in base wells", part("heparin", 2e6, "at least")),
    "wells at 33 Cel": ("open", warmed(33.0)),
    "fibrinogen at 0.9 g/L": ("seen", part("fibrinogen", 0.9)),
    "platelets at 35 10^9/L": ("seen", part("platelets", 35e12)),
    "tPA at 3 nmol/L": ("seen", part("tpa", 3e-6, "at least")),
    "factor X at 3 %": ("seen", part("X", 0.03)),
}
"""What is changed, and what was expected of it before the first run."""

TOGETHER: dict[str, tuple[str, str, float, float, float]] = {
    **{f"factor {n}": (n, "%", 0.01, 3.0, 1e-4) for n in ("II", "V", "VII", "VIII", "IX", "X", "XI", "XII", "XIII")},
    "prekallikrein": ("prekallikrein", "%", 0.01, 3.0, 1e-4),
    "C1 inhibitor": ("C1 inhibitor", "%", 0.01, 3.0, 1e-4),
    "TFPI": ("TFPI", "%", 0.01, 3.0, 1e-4),
    "antithrombin": ("antithrombin", "%", 0.01, 3.0, 1e-4),
    "plasminogen": ("plasminogen", "%", 0.01, 3.0, 1e-4),
    "antiplasmin": ("antiplasmin", "%", 0.01, 3.0, 1e-4),
    "platelet function": ("platelet_function", "%", 0.01, 3.0, 1e-4),
    "fibrinogen": ("fibrinogen", "g/L", 1.0, 8.0, 0.05),
    "platelets": ("platelets", "10^9/L", 1e12, 1e15, 1e12),
}  # fmt: skip
"""Lack of what: field or factor, unit of the table and its size in SI, where the search begins, where it ends."""

MORE: dict[str, tuple[str, str, float, float, float]] = {
    "heparin": ("heparin", "IU/mL", 1e6, 1e3, 2e7),
    "factor Xa inhibitor": ("xa_inhibitor", "nmol/L", 1e-6, 1e-8, 1e-3),
    "tPA": ("tpa", "nmol/L", 1e-6, 1e-9, 1e-4),
    "dilution by crystalloid": ("dilution", "%", 0.01, 0.005, 0.9),
    "haematocrit": ("haematocrit", "%", 0.01, 0.05, 0.75),
    "fibrinogen": ("fibrinogen", "g/L", 1.0, 1.0, 15.0),
    "platelets": ("platelets", "10^9/L", 1e12, 1e14, 8e14),
    "factor VIII": ("VIII", "%", 0.01, 0.2, 10.0),
    "antithrombin": ("antithrombin", "%", 0.01, 0.5, 5.0),
    "TFPI": ("TFPI", "%", 0.01, 0.2, 10.0),
}
"""Excess of what, in the same form."""

COLDER = (36.9, 20.0)
"""Temperature of the wells: where the search begins and ends [Cel]."""


@lru_cache(maxsize=1)
def patients() -> Any:
    """The study of virtual patients, whose short route is used."""
    path = Path(__file__).with_name("virtual_patients.py")
    spec = spec_from_file_location("virtual_patients", path)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules["virtual_patients"] = module
    spec.loader.exec_module(module)
    return module


def donor(seed: int, number: int) -> Blood:
    """A healthy virtual donor."""
    return Blood(_drawn(seed, 256 * (1 + number // 256))[number].composition)


@lru_cache(maxsize=4)
def _drawn(seed: int, count: int) -> Any:
    from stanch.virtual.blood.population import draw

    return draw("healthy", count, seed)


def wells_of(blood: Blood) -> dict[str, Contents]:
    """The six wells, and one with contact activation that the demo assay does not have."""
    wells = {**DEMO_WELLS, "contact": CONTACT}
    return {name: replace(well, temperature=blood.block + 273.15) for name, well in wells.items()}


def clots(blood: Blood) -> dict[str, Any]:
    """Courses of all wells."""
    wells = wells_of(blood)
    return dict(zip(wells, courses(blood.composition, tuple(wells.values())), strict=True))


def span(index: int) -> tuple[float, float]:
    """First and last push of a well [s]."""
    p = patients()
    first = 12.0 + 2.0 * index
    return first, float(np.arange(first, p.DURATION, p.INTERVAL)[-1])


def perfect(made: Mapping[str, Any]) -> tuple[Any, ...]:
    """Readings, contrasts and findings without noise."""
    p = patients()
    wells, contrasts, findings = p.outcome({n: p.exact(made[n], *span(i)) for i, n in enumerate(DEMO_WELLS)}, 1)
    # Two equal paths cannot state 95 %: a rule that truly holds stands as supported.
    held = {k: replace(f, outcome="supports") if (f.probability or 0.0) > 0.5 else f for k, f in findings.items()}
    return wells, contrasts, held


def measured(made: Mapping[str, Any], seed: Sequence[int]) -> tuple[Any, ...]:
    """Readings, contrasts and findings of one noisy run."""
    from stanch.curve.posterior import smooth

    p = patients()
    rng = np.random.default_rng(seed)
    curves = {name: smooth(p.look(made[name], span(i)[0], rng), seed=i) for i, name in enumerate(DEMO_WELLS)}
    found: tuple[Any, ...] = p.outcome(curves, int(seed[-1]))
    return found


def read(found: tuple[Any, ...], well: str, of: str) -> Any:
    """A reading of a well, or a contrast where the well is empty."""
    return found[0][well][of] if well else found[1][of]


def in_base_wells(well: str, of: str) -> bool:
    """Whether a limit rests on base wells alone."""
    names = {well} if well else {w for c in patients()._assay().contrasts if c.name == of for w in (c.base, c.other)}
    return all(name.startswith("base") for name in names)


def out(found: tuple[Any, ...]) -> tuple[dict[str, float], dict[str, bool], set[str]]:
    """Of every side of every limit, the probability of lying beyond it and whether the value does; rules supported."""
    chance: dict[str, float] = {}
    crossed: dict[str, bool] = {}
    for limit in patients()._assay().limits:
        if limit.kind == "accept":
            continue
        reading = read(found, limit.well, limit.of)
        value, samples = reading.estimate.value, reading.samples
        for side, bound in (("low", limit.low), ("high", limit.high)):
            if bound is None:
                continue
            name = f"{limit.of}{': ' + limit.well if limit.well else ''} {side}"
            sign = -1.0 if side == "low" else 1.0
            beyond = sign * samples > sign * bound
            chance[name] = max(chance.get(name, 0.0), float(beyond.mean()) if samples.size else 0.0)
            # A reading without a value, such as an onset that does not come, is out where its samples are.
            is_out = bool(beyond.mean() > 0.5) if value is None and samples.size else False
            crossed[name] = crossed.get(name, False) or is_out or (value is not None and sign * value > sign * bound)
    return chance, crossed, {key for key, f in found[2].items() if f.outcome == "supports"}


@lru_cache(maxsize=1)
def base_names() -> dict[str, bool]:
    """Whether each name of :func:`out`, and each rule, rests on base wells alone."""
    assay = patients()._assay()
    names = {}
    for limit in assay.limits:
        if limit.kind != "accept":
            for side in ("low", "high"):
                name = f"{limit.of}{': ' + limit.well if limit.well else ''} {side}"
                names[name] = in_base_wells(limit.well, limit.of)
    for rule in assay.rules:
        names[rule.key] = all(in_base_wells(w.well or "", w.of) for w in rule.when)
    for pair in assay.pairs:
        wells = pair.not_above or ("base",)
        names[f"pair: {pair.name}"] = all(w.startswith("base") for w in wells)
    return names


def inside(seed: int, count: int) -> list[int]:
    """Numbers of the first healthy donors in whom a perfect analysis finds every reading inside its limits."""
    found: list[int] = []
    number = 0
    while len(found) < count:
        if not any(out(perfect(clots(donor(seed, number))))[1].values()):
            found.append(number)
        number += 1
    return found


def newly(without: tuple[Any, ...], having: tuple[Any, ...]) -> dict[str, set[str]]:
    """What is out with the change and was not without it."""
    before, after = out(without), out(having)
    return {
        "rule": after[2] - before[2],
        "beyond": {n for n, c in after[0].items() if c >= CERTAIN > before[0][n]},
        "crossed": {n for n, c in after[1].items() if c and not before[1][n]},
    }


def _followed(found: tuple[Any, ...]) -> dict[str, float]:
    values = {}
    for name in FOLLOWED:
        of, _, well = name.partition(": ")
        value = read(found, well, of).estimate.value
        values[name] = math.nan if value is None else value
    return values


def pairs_of(job: tuple[int, int, tuple[str, ...], bool]) -> list[Pair]:
    """One donor, without and with every change."""
    seed, number, names, noise = job
    own = donor(seed, number)
    plain = clots(own)
    ideal = perfect(plain)
    before, truth = measured(plain, (seed, number, 0)) if noise else ideal, _followed(ideal)
    done = []
    for name in names:
        made = clots(CHANGES[name][1](own))
        ideal = perfect(made)
        after = measured(made, (seed, number, 1 + tuple(CHANGES).index(name))) if noise else ideal
        now = _followed(ideal)
        moved = {key: now[key] / truth[key] for key in truth}
        moved["contact"] = made["contact"].start / plain["contact"].start
        done.append(Pair(name, noise, newly(before, after), moved))
    return done


def exact_limits(k: int, n: int) -> tuple[float, float]:
    """Exact 95 % limits of a share."""
    from scipy.stats import beta

    low = float(beta.ppf(0.025, k, n - k + 1)) if k else 0.0
    return low, float(beta.ppf(0.975, k + 1, n - k)) if k < n else 1.0


def counted(done: Sequence[Pair]) -> list[dict[str, Any]]:
    """One row for every change, for all that the assay reads and for the base wells alone."""
    base, rows = base_names(), []
    for name, noise in dict.fromkeys((d.change, d.noise) for d in done):
        mine = [d for d in done if (d.change, d.noise) == (name, noise)]
        for what in PARTS:
            row: dict[str, Any] = {"change": name, "expected": CHANGES[name][0], "part": what, "donors": len(mine)}
            row["noise"] = "yes" if noise else "no"
            often: Counter[str] = Counter()
            for key in ("rule", "beyond", "crossed"):
                kept = [{n for n in d.newly[key] if what == "any" or base[n]} for d in mine]
                k = sum(bool(k) for k in kept)
                row[key] = k
                row[f"{key}_low"], row[f"{key}_high"] = exact_limits(k, len(mine))
                often.update(n for k in kept for n in k if key == "crossed")
            row["most_often"] = often.most_common(1)[0][0] if often else ""
            for key, label in zip((*FOLLOWED, "contact"), PAIRS[-6:], strict=True):
                values = [d.moved[key] for d in mine if math.isfinite(d.moved[key])]
                row[label] = float(np.median(values)) if 2 * len(values) > len(mine) else math.nan
            rows.append(row)
    return rows


def first_seen(
    before: Mapping[str, bool], change: Callable[[float], Blood], start: float, end: float, what: str
) -> tuple[float, str]:
    """Size at which a perfect analysis first sees a change; infinite if not even at `end`."""
    base = base_names()

    def seen(size: float) -> list[str]:
        after = out(perfect(clots(change(size))))[1]
        return [n for n, c in after.items() if c and not before[n] and (what == "any" or base[n])]

    found = seen(end)
    if not found:
        return math.inf, ""
    low, high = math.log(start), math.log(end)
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        here = seen(math.exp(middle))
        low, high, found = (low, middle, here) if here else (middle, high, found)
    return math.exp(high), found[0]


def searches() -> list[tuple[str, str, str]]:
    """Every search: what is changed, the direction, and which wells count."""
    kinds = [(n, "lack") for n in TOGETHER] + [(n, "excess") for n in MORE] + [("temperature of the wells", "lack")]
    return [(name, way, what) for name, way in kinds for what in PARTS]


def reach_of(job: tuple[int, int, tuple[tuple[str, str, str], ...]]) -> list[tuple[tuple[str, str, str], float, str]]:
    """One donor: sizes at which each change is first seen."""
    seed, number, wanted = job
    own = donor(seed, number)
    before = out(perfect(clots(own)))[1]
    done: list[tuple[tuple[str, str, str], float, str]] = []
    for name, way, what in wanted:
        if done and done[-1][0][:2] == (name, way) and not math.isfinite(done[-1][1]):
            done.append(((name, way, what), math.inf, ""))  # not seen anywhere, so not in the base wells
            continue
        if name == "temperature of the wells":
            size, first = first_seen(before, lambda x: replace(own, block=x), *COLDER, what)
        else:
            key, _, _, start, end = (TOGETHER if way == "lack" else MORE)[name]
            how = "at most" if way == "lack" else "at least"
            size, first = first_seen(before, lambda x, key=key, how=how: part(key, x, how)(own), start, end, what)  # type: ignore[misc]
        done.append(((name, way, what), size, first))
    return done


def reached(done: Sequence[tuple[tuple[str, str, str], float, str]]) -> list[dict[str, Any]]:
    """One row for every search."""
    rows = []
    for search in dict.fromkeys(d[0] for d in done):
        name, way, what = search
        mine = [d for d in done if d[0] == search]
        unit, scale = ("Cel", 1.0) if name.startswith("temp") else (TOGETHER if way == "lack" else MORE)[name][1:3]
        end = COLDER[1] if name.startswith("temp") else (TOGETHER if way == "lack" else MORE)[name][4]
        sizes = np.sort([d[1] if way == "excess" or math.isfinite(d[1]) else -math.inf for d in mine])
        sizes = sizes if way == "excess" else sizes[::-1]  # the most easily seen donor first
        row: dict[str, Any] = {"changed": name, "unit": unit, "direction": way, "part": what, "donors": len(mine)}
        row["seen"], row["at"] = int(np.isfinite(sizes).sum()), end / scale
        for key, share in (("half", 0.5), ("quarter", 0.25), ("three_quarters", 0.75)):
            value = float(sizes[math.ceil(share * len(mine)) - 1])
            row[key] = value / scale if math.isfinite(value) else math.nan
        often = Counter(d[2] for d in mine if d[2])
        row["first"] = often.most_common(1)[0][0] if often else ""
        rows.append(row)
    return rows


@lru_cache(maxsize=1)
def commit() -> str:
    """Of the code that runs."""
    asked = ["git", "rev-parse", "--short", "HEAD"]
    return subprocess.run(asked, cwd=RESULTS.parent, capture_output=True, text=True, check=False).stdout.strip()


def keep(rows: Sequence[Mapping[str, Any]], columns: Sequence[str], path: Path, seed: int) -> None:
    """Write a table; a cell without a number is empty."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*columns, "seed", "commit"])
        for row in rows:
            cells = [row[c] for c in columns]
            told = ["" if c != c else f"{c:.4g}" if isinstance(c, float) else c for c in cells]
            writer.writerow([*told, seed, commit()])


def collect(
    found: Iterable[Sequence[Any]],
    table: Callable[[Sequence[Any]], list[dict[str, Any]]],
    columns: Sequence[str],
    path: Path | None,
    seed: int,
) -> list[dict[str, Any]]:
    """The table of all donors; a file of it is written anew after each, so that a run may be ended early."""
    done: list[Any] = []
    rows: list[dict[str, Any]] = []
    for one in found:
        done.extend(one)
        rows = table(done)
        if path is not None:
            keep(rows, columns, path, seed)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--donors", type=int, default=60, help="Donors read with and without each change.")
    parser.add_argument("--exact", type=int, default=200, help="Donors counted without noise.")
    parser.add_argument("--reach", type=int, default=50, help="Donors of the search for sizes.")
    parser.add_argument("--seed", type=int, default=4)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--csv", type=Path, help="Folder for the two tables.")
    given = parser.parse_args()
    seed, folder = given.seed, given.csv
    with ProcessPoolExecutor(given.processes) as pool:
        numbers = inside(seed, max(given.donors, given.exact))
        jobs = [(seed, i, tuple(CHANGES), False) for i in numbers[: given.exact]]
        jobs += [(seed, i, tuple(CHANGES), True) for i in numbers[: given.donors]]
        pairs = collect(pool.map(pairs_of, jobs), counted, PAIRS, folder and folder / "unseen_changes.csv", seed)
        patients().show("Donors newly seen because of the change", pairs)
        wanted = [(seed + 1, i, tuple(searches())) for i in inside(seed + 1, given.reach)]
        sizes = collect(pool.map(reach_of, wanted), reached, REACH, folder and folder / "unseen_reach.csv", seed + 1)
        patients().show("How large a change must be to be seen in half of the donors", sizes)


if __name__ == "__main__":
    main()
