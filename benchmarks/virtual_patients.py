"""Virtual patients of seven kinds, from blood to findings: sensitivity, specificity, calibration and coverage.

    python benchmarks/virtual_patients.py --patients 300 --echoes 35 --processes 2

Every patient is a random composition of its kind. The six wells of the demo assay answer with the curves of virtual
blood. By the short route displacements are drawn from the movement of the virtual well, with noise and with speckle
that freezes as the sample sets; by the long route a recording is made of echoes and analysed as a user would. The truth
of a reading is its own definition applied to the curve without error, and the truth of a finding is its rule applied to
the true readings, so that the printed probability - "the reading lies beyond the limit, given measurement error" - can
be held against it. Nothing here says how often a disease is found.
"""

from __future__ import annotations

import argparse
import csv
import math
import subprocess
import tempfile
import tomllib
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROOT = Path(__file__).resolve().parent.parent
KINDS = ("healthy", "low fibrinogen", "low platelets", "heparin", "dilution", "lysis", "mixture")
DURATION = 3600.0
INTERVAL = 20.0
NOISE = 1e-7
SHARES = ("platelet_function", "haematocrit", "antithrombin", "plasminogen", "antiplasmin", "dilution")
OUTCOMES = ("supports", "undecided", "does_not_support", "suppressed")
BINS = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 1.0)
ROW = ("route", "patient", "kind", "what", "name", "status", "probability", "truth", "low", "high", "value")


@dataclass(frozen=True)
class Row:
    """One finding, reading or contrast of one patient; of a finding, `truth` is 1 where its rule truly holds."""

    route: str
    patient: int
    kind: str
    what: str
    name: str
    status: str
    probability: float | None
    truth: float | None
    low: float | None
    high: float | None
    value: float | None


@lru_cache(maxsize=1)
def _assay() -> Any:
    from stanch.readings.assay import load_assay

    return load_assay((files("stanch.virtual") / "demo" / "assay.toml").read_text("utf-8"), where="assay.toml")


@lru_cache(maxsize=1)
def _bench() -> tuple[Any, ...]:
    """Geometry, acquisition, frame times, the virtual gate and the spectral table of the short route."""
    from stanch.mechanics.table import spectral_table
    from stanch.recording.records import Acquisition, Geometry
    from stanch.virtual.instrument import frame_times
    from stanch.virtual.traces import gate

    geometry = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
    acquisition = Acquisition(40e6, 9e6, 1575.0, 1045.0, 2e-4, 2, -2.3e-3)
    frame_time = frame_times(64, 2, 1.25e-4)
    table = spectral_table(
        geometry, density=acquisition.density, push_duration=acquisition.push_duration, frame_time=frame_time[2:]
    )
    half = 0.8 * geometry.push_length  # the gate that a recording of displacement is taken to have
    return geometry, acquisition, frame_time, gate(geometry, -half, half), table


def _records() -> dict[str, Any]:
    from stanch.recording.records import Additive, Well

    return {w.name: Well(w.name, w.activator, tuple(Additive(a) for a in w.additives)) for w in _assay().wells}


def link_of(time: Floats, modulus: Floats) -> Floats:
    """Squared coherence of the speckle of two pushes: moving in liquid, frozen once set."""
    still = 1.0 / (1.0 + np.exp(-(modulus - 3.0)))
    link: Floats = np.sqrt(still[:, None] * still)
    np.fill_diagonal(link, 1.0)
    return link


def look(course: Any, first: float, rng: np.random.Generator) -> Any:
    """Moduli of one well by the short route."""
    from stanch.echo.given import from_displacement
    from stanch.mechanics.invert import InvertSettings, invert
    from stanch.virtual.traces import traces

    geometry, acquisition, frame_time, seen, table = _bench()
    time = np.arange(first, DURATION, INTERVAL)
    modulus, spread = course.modulus(time), rng.uniform(0.1, 0.2)
    link, cells, before = link_of(time, modulus), 1.0 + 0.5 / spread**2, acquisition.frames_before_push
    force = 46e3 * (1.0 + 0.3 * course.progress(time))
    drawn = traces(
        seen, frame_time[before:], modulus, course.viscosity(time), force, density=acquisition.density,
        push_duration=acquisition.push_duration, noise=NOISE, rng=rng, speckle_cells=cells, link=link,
        reference_frames=10**12,
    )  # fmt: skip
    value = np.concatenate([NOISE * rng.standard_normal((time.size, before)), drawn.displacement], axis=1)
    displacement = from_displacement(
        value, time, frame_time, acquisition, geometry, sd=NOISE, link=link, speckle_cells=cells
    )
    return invert(displacement, table, acquisition, geometry, InvertSettings(threads=1))


def exact(course: Any, start: float, end: float) -> Any:
    """The curve without error, over the span that was recorded."""
    from stanch.curve.records import Curve

    time = np.linspace(start, end, 1 + math.ceil(end - start))
    modulus = course.modulus(time)
    paths = np.stack([modulus, modulus])
    return Curve(time, modulus, modulus, modulus, paths, None, None, None, time, 0, {})


def outcome(
    curves: dict[str, Any], seed: int, block: float | None = None
) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """Readings by well, contrasts by name, findings by key; of curves without error with the true block fraction."""
    from stanch.findings.evaluate import evaluate
    from stanch.readings.contrast import contrast
    from stanch.readings.read import read_well

    assay, records = _assay(), _records()
    definitions = assay.definitions()
    wells = {name: read_well(c, definitions, seed=seed + i, well=name) for i, (name, c) in enumerate(curves.items())}
    sides = {name: (records[name], curves[name], wells[name]) for name in curves}
    contrasts = []
    for one in assay.contrasts:
        told = block is not None and one.block_fraction is not None
        sure = replace(one, block_fraction=block, block_fraction_sd=0.0) if told else one
        contrasts.append(contrast(sure, sides.get(one.base), sides.get(one.other), definitions, seed=seed))
    findings, _, _ = evaluate(assay, tuple(wells.values()), contrasts, (), seed=seed)
    return wells, {c.name: c for c in contrasts}, {f.key: f for f in findings}


def compared(route: str, patient: int, kind: str, found: tuple[Any, ...], true: tuple[Any, ...]) -> list[Row]:
    """Rows of everything that was found, beside the truth."""
    rows = []
    rng = np.random.default_rng([patient, len(kind), len(route)])
    for name, well in found[0].items():
        for reading in well.readings:
            rows += _limits(route, patient, kind, reading.key, reading, true[0][name][reading.key], rng)
            rows.append(
                _number(route, patient, kind, "reading", f"{reading.key}: {name}", reading, true[0][name][reading.key])
            )
    for name, contrast in found[1].items():
        rows += _limits(route, patient, kind, name, contrast, true[1][name], rng)
        rows.append(_number(route, patient, kind, "contrast", name, contrast, true[1][name]))
    for key, finding in found[2].items():
        holds = true[2].get(key)
        truth = None if holds is None or holds.probability is None else float(holds.probability > 0.5)
        rows.append(
            Row(route, patient, kind, "finding", key, finding.outcome, finding.probability, truth, None, None, None)
        )
    return rows


def _number(route: str, patient: int, kind: str, what: str, name: str, found: Any, true: Any) -> Row:
    e, t = found.estimate, true.estimate
    return Row(route, patient, kind, what, name, e.status, None, t.value, e.low, e.high, e.value)


def _limits(
    route: str, patient: int, kind: str, name: str, found: Any, true: Any, rng: np.random.Generator
) -> list[Row]:
    """Stated probabilities of lying below limits drawn evenly around the truth, six standard deviations to each side.

    Patients whose readings lie far from the assay's limits tell nothing of the probabilities between 0 and 1. Limits so
    wide about the truth tell next to nothing of it themselves.
    """
    e, truth = found.estimate, true.estimate.value
    if truth is None or e.low is None or e.high is None or not np.isfinite(found.samples).all():
        return []
    rows = []
    for limit in truth + (e.high - e.low) / 3.92 * rng.uniform(-6.0, 6.0, 4):
        stated = float((np.count_nonzero(found.samples < limit) + 0.5) / (found.samples.size + 1))
        holds = float(truth < limit)
        rows.append(Row(route, patient, kind, "limit", name, e.status, stated, holds, None, None, None))
    return rows


def patient_of(kind: str, seed: int, number: int) -> Any:
    """The composition of one patient."""
    from stanch.virtual.blood.population import draw

    return draw(kind, number + 1, seed)[number].composition


def block_of(kind: str, seed: int, number: int) -> float:
    """What the blocker of this run takes away: as the assay document states it, with its standard deviation."""
    stated = next(c for c in _assay().contrasts if c.block_fraction is not None)
    rng = np.random.default_rng([seed, KINDS.index(kind), number, 1])
    return float(np.clip(stated.block_fraction + stated.block_fraction_sd * rng.standard_normal(), 0.5, 1.0))


def short_route(kind: str, seed: int, number: int) -> list[Row]:
    """One patient without echoes."""
    from stanch.curve.posterior import smooth
    from stanch.virtual.blood.expect import DEMO_WELLS, courses

    rng = np.random.default_rng([seed, KINDS.index(kind), number])
    block = block_of(kind, seed, number)
    wells = {n: replace(w, block_fraction=block) if w.block_fraction else w for n, w in DEMO_WELLS.items()}
    made = dict(zip(wells, courses(patient_of(kind, seed, number), tuple(wells.values())), strict=True))
    curves, truth = {}, {}
    for i, (name, course) in enumerate(made.items()):
        moduli = look(course, 12.0 + 2.0 * i, rng)
        curves[name] = smooth(moduli, seed=seed + i)
        truth[name] = exact(course, float(curves[name].time[0]), float(curves[name].time[-1]))
    return compared("traces", number, kind, outcome(curves, seed), outcome(truth, seed, block))


def scenario_of(kind: str, seed: int, number: int, *, pushes: int = 120) -> dict[str, Any]:
    """The demo scenario with this patient's blood."""
    composition = patient_of(kind, seed, number)
    data = tomllib.loads((files("stanch.virtual") / "demo" / "scenario.toml").read_text("utf-8"))
    data.pop("assay", None)
    data["seed"] = 10_000 * seed + 100 * number + KINDS.index(kind)
    data["run"].update(pushes=pushes, push_interval=f"{DURATION / pushes:g} s")
    for well in data["well"]:
        well["activation_sd"] = "0 s"
        if "block_fraction" in well["contents"]:
            well["contents"]["block_fraction"] = f"{100 * block_of(kind, seed, number)!r} %"
    data["blood"] = {
        "fibrinogen": f"{composition.fibrinogen!r} g/L",
        "platelets": f"{composition.platelets / 1e12!r} 10^9/L",
        "heparin": f"{composition.heparin / 1e6!r} IU/mL",
        "tpa": f"{composition.tpa / 1e-6!r} nmol/L",
        "factors": {name: f"{100 * value!r} %" for name, value in composition.factors.items()},
        **{key: f"{100 * getattr(composition, key)!r} %" for key in SHARES},
    }
    return data


def long_route(kind: str, seed: int, number: int, *, pushes: int = 120) -> list[Row]:
    """One patient through echoes, as a user would."""
    from stanch.pipeline import analyse
    from stanch.virtual.instrument import VirtualWell
    from stanch.virtual.scenario import Scenario
    from stanch.virtual.simulate import simulate

    scenario = Scenario.model_validate(scenario_of(kind, seed, number, pushes=pushes))
    with tempfile.TemporaryDirectory() as folder:
        recording = simulate(scenario, Path(folder) / "r.h5")
        result = analyse(recording, _assay(), seed=seed, threads=1)
    truth = {}
    for i, well in enumerate(result.wells):
        course = VirtualWell(scenario, i, scenario.seed).course
        assert well.curve is not None
        truth[well.well.name] = exact(course, float(well.curve.time[0]), float(well.curve.time[-1]))
    found = (
        {w.well.name: w.readings for w in result.wells if w.readings is not None},
        {c.name: c for c in result.contrasts},
        {f.key: f for f in result.findings},
    )
    return compared("echoes", number, kind, found, outcome(truth, seed, block_of(kind, seed, number)))


def _job(job: tuple[str, str, int, int]) -> list[Row]:
    route, kind, seed, number = job
    return (long_route if route == "echoes" else short_route)(kind, seed, number)


def jobs(patients: int, echoes: int, seed: int) -> list[tuple[str, str, int, int]]:
    """Which patients go which way; kinds in turn."""
    each = [(KINDS[i % len(KINDS)], i // len(KINDS)) for i in range(max(patients, echoes))]
    short = [("traces", kind, seed, number) for kind, number in each[:patients]]
    return short + [("echoes", kind, seed, number) for kind, number in each[:echoes]]


def judged(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Of every rule: what was stated where it truly holds and where it does not."""
    out = []
    for key in dict.fromkeys(r.name for r in rows if r.what == "finding" and not r.name.startswith("refused")):
        mine = [r for r in rows if r.what == "finding" and r.name == key and r.truth is not None]
        for holds in (1.0, 0.0):
            these = [r for r in mine if r.truth == holds]
            count = Counter(r.status for r in these)
            out.append(
                {"finding": key, "holds": holds == 1.0, "patients": len(these), **{w: count[w] for w in OUTCOMES}}
            )
    return out


def kinds(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Of every kind of patient and rule: in how many it truly holds, and in how many it was stated."""
    out = []
    mine = [r for r in rows if r.what == "finding" and not r.name.startswith(("refused", "pair"))]
    for kind in dict.fromkeys(r.kind for r in mine):
        for key in dict.fromkeys(r.name for r in mine):
            these = [r for r in mine if (r.kind, r.name) == (kind, key)]
            stated = [r for r in these if r.status == "supports"]
            holds = sum(r.truth == 1.0 for r in these)
            both = sum(r.truth == 1.0 for r in stated)
            row = {"kind": kind, "finding": key, "patients": len(these), "holds": holds, "stated": len(stated)}
            out.append({**row, "both": both})
    return out


def calibration(rows: Sequence[Row], what: str) -> list[dict[str, Any]]:
    """Stated probability against the share that truly holds, in bins, with the exact 99 % interval of the share."""
    from scipy.stats import beta

    mine = [r for r in rows if r.what == what and r.probability is not None and r.truth is not None]
    out = []
    for low, high in pairwise(BINS):
        these = [r for r in mine if low <= r.probability < high or (high == 1.0 and r.probability == 1.0)]  # type: ignore[operator]
        n, k = len(these), int(sum(r.truth or 0.0 for r in these))
        stated = float(np.mean([r.probability for r in these])) if these else math.nan
        bounds = (beta.ppf(0.005, k, n - k + 1) if k else 0.0, beta.ppf(0.995, k + 1, n - k) if k < n else 1.0)
        out.append(
            {"from": low, "to": high, "statements": n, "stated": stated, "true": k, "low": bounds[0], "high": bounds[1]}
        )
    return out


def coverage(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Share of 95 % intervals and of bounds that hold the truth."""
    from scipy.stats import binomtest

    out = []
    numbers = [r for r in rows if r.what in ("reading", "contrast")]
    for name in dict.fromkeys((r.what, r.name.split(":")[0]) for r in numbers):
        mine = [r for r in numbers if (r.what, r.name.split(":")[0]) == name]
        known = [r for r in mine if r.truth is not None and r.status in ("ok", "provisional") and r.low is not None]
        inside = sum(r.low <= r.truth <= r.high for r in known)  # type: ignore[operator]
        bounds = [r for r in mine if r.truth is not None and r.status in ("above", "below")]
        kept = sum((r.low is None or r.low <= r.truth) and (r.high is None or r.truth <= r.high) for r in bounds)  # type: ignore[operator]
        without = Counter(r.status for r in mine if r.truth is None)
        out.append(
            {
                "what": name[0], "name": name[1], "intervals": len(known), "inside": inside,
                "p": binomtest(inside, len(known), 0.95).pvalue if known else math.nan,
                "bounds": len(bounds), "kept": kept, "no true value": sum(without.values()),
                "of these given": without["ok"] + without["provisional"],
                "unavailable": sum(r.status == "unavailable" for r in mine),
            }
        )  # fmt: skip
    return out


def routes(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """The same patients both ways: difference of the errors over its standard deviation, and findings that agree."""
    by: dict[tuple[Any, ...], dict[str, Row]] = {}
    for r in (r for r in rows if r.what != "limit"):
        by.setdefault((r.kind, r.patient, r.what, r.name), {})[r.route] = r
    out = []
    for name in dict.fromkeys((k[2], k[3].split(":")[0]) for k, pair in by.items() if len(pair) == 2):
        mine = [p for k, p in by.items() if len(p) == 2 and (k[2], k[3].split(":")[0]) == name]
        if name[0] == "finding":
            same = sum(p["traces"].status == p["echoes"].status for p in mine)
            opposed = sum({p["traces"].status, p["echoes"].status} == {"supports", "does_not_support"} for p in mine)
            out.append({"what": "finding", "name": name[1], "pairs": len(mine), "same": same, "opposed": opposed})
            continue
        z = [d for p in mine if (d := _difference(p)) is not None]
        rms = float(np.sqrt(np.mean(np.square(z)))) if z else math.nan
        out.append(
            {
                "what": name[0],
                "name": name[1],
                "pairs": len(z),
                "mean": float(np.mean(z)) if z else math.nan,
                "rms": rms,
            }
        )
    return out


def _difference(pair: dict[str, Row]) -> float | None:
    """(error by echoes - error by traces) over the SD that their intervals give the difference."""
    errors, variance = [], 0.0
    for route in ("echoes", "traces"):
        r = pair[route]
        if None in (r.value, r.truth, r.low, r.high):
            return None
        errors.append(r.value - r.truth)  # type: ignore[operator]
        variance += ((r.high - r.low) / 3.92) ** 2  # type: ignore[operator]
    return (errors[0] - errors[1]) / math.sqrt(variance) if variance > 0 else None


def show(title: str, table: Sequence[dict[str, Any]]) -> None:
    """Print a table."""
    print(f"\n{title}")
    if not table:
        print("nothing")
        return
    keys = list(dict.fromkeys(k for row in table for k in row))
    cells = [[_text(row.get(k, "")) for k in keys] for row in table]
    widths = [max(len(k), *(len(c[i]) for c in cells)) for i, k in enumerate(keys)]
    for line in (keys, *cells):
        print("  ".join(text.ljust(w) if i < 2 else text.rjust(w) for i, (text, w) in enumerate(zip(line, widths))))


def _text(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=int, default=300)
    parser.add_argument("--echoes", type=int, default=35, help="Of them also through echoes.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--csv", type=Path, help="Keep every row.")
    parser.add_argument("--write", action="store_true", help="Keep the tables and the figure for the docs.")
    parser.add_argument("--again", type=Path, help="Only count the rows kept in this file.")
    given = parser.parse_args()
    if given.again is not None:
        rows = read_rows(given.again)
    else:
        work = jobs(given.patients, given.echoes, given.seed)
        with ProcessPoolExecutor(given.processes) as pool:
            rows = [row for found in pool.map(_job, work) for row in found]
    if given.csv is not None:
        with given.csv.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, ROW)
            writer.writeheader()
            writer.writerows(asdict(row) for row in rows)
    if given.write:
        write(rows, given.seed)
    for route in dict.fromkeys(row.route for row in rows):
        mine = [row for row in rows if row.route == route]
        show(f"Kinds of patients ({route})", kinds(mine))
        show(f"Findings ({route}): rows where the rule truly holds, and where not", judged(mine))
        show(f"Calibration of the findings' probabilities ({route})", calibration(mine, "finding"))
        show(f"Calibration against limits drawn about the truth ({route})", calibration(mine, "limit"))
        show(f"Coverage of 95 % intervals ({route})", coverage(mine))
    show("Both routes", routes(rows))


def write(rows: Sequence[Row], seed: int) -> None:
    """Keep every table beside this script, and the reliability figure with the docs."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    by_route = {route: [row for row in rows if row.route == route] for route in dict.fromkeys(r.route for r in rows)}
    tables: dict[str, list[dict[str, Any]]] = {"routes": routes(rows)}
    for name, make in (("findings", judged), ("kinds", kinds), ("coverage", coverage)):
        tables[name] = [{"route": route, **row} for route, mine in by_route.items() for row in make(mine)]
    tables["calibration"] = [
        {"route": route, "what": what, **row}
        for route, mine in by_route.items()
        for what in ("finding", "limit")
        for row in calibration(mine, what)
    ]
    for name, table in tables.items():
        keys = list(dict.fromkeys(k for row in table for k in row))
        with (ROOT / "benchmarks" / "results" / f"patients_{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, [*keys, "seed", "commit"])
            writer.writeheader()
            for row in table:
                writer.writerow({k: _text(v) for k, v in row.items()} | {"seed": seed, "commit": commit})
    reliability(tables["calibration"])


def reliability(table: Sequence[dict[str, Any]]) -> None:
    """Draw stated probabilities against the share that truly holds."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.5, 4.2), layout="constrained")
    panels = figure.subplots(1, 2, sharex=True, sharey=True)
    titles = {"finding": "Findings, at the assay's limits", "limit": "Readings, at limits about the truth"}
    for axes, (what, title) in zip(panels, titles.items(), strict=True):
        axes.plot([0, 1], [0, 1], color="0.6", linewidth=0.8)
        for route, marker, colour in (("traces", "o", "#0b3c7d"), ("echoes", "s", "#b3500f")):
            mine = [r for r in table if (r["what"], r["route"]) == (what, route) and r["statements"]]
            if mine:
                x = [r["stated"] for r in mine]
                y = [r["true"] / r["statements"] for r in mine]
                reach = [[b - r["low"] for b, r in zip(y, mine)], [r["high"] - b for b, r in zip(y, mine)]]
                axes.errorbar(x, y, reach, fmt=marker, color=colour, markersize=4, linewidth=1, label=route)
        axes.set(title=title, xlabel="Stated probability", xlim=(-0.03, 1.03), ylim=(-0.03, 1.03))
        axes.grid(color="0.9")
    panels[0].set_ylabel("Share that truly holds (99 % interval)")
    panels[1].legend(frameon=False, loc="lower right")
    figure.savefig(ROOT / "docs" / "pictures" / "reliability.png", dpi=110)


def read_rows(path: Path) -> list[Row]:
    """Rows kept in a file."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = []
        for r in csv.DictReader(file):
            numbers = {k: None if r[k] == "" else float(r[k]) for k in ROW[6:]}
            rows.append(Row(r["route"], int(r["patient"]), r["kind"], r["what"], r["name"], r["status"], **numbers))
        return rows


if __name__ == "__main__":
    main()
