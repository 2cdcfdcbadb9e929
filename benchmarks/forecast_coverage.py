"""Coverage of forecasts at 2 to 15 min on virtual patients that the prior never saw, and minutes saved by them.

    python benchmarks/forecast_coverage.py --per-kind 30 --write

Pushes are drawn from the true curve of every well with own noise and speckle that is fresh, drifts or is frozen, and go
through the smoother up to the time of the forecast. Populations: `like` is drawn as the prior's patients; `other blood`
has factors and platelet function at 60 %; `other model` adds the platelets' modulus to that of fibrin and raises
fibrin's to the power 1.5; the library has blood and models about as far off as these two. `no model` does what no curve
of the library does: clots go on stiffening, by a fifth of their modulus per half hour of their age, without an end.

Then each decision is taken from forecasts and, for comparison, from the reading that the whole run gives. On every
second patient the least probability is chosen with which forecasts are wrong no more often; the others judge it.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import math
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from stanch.readings.forecast import targets
from stanch.readings.forecast.decide import decided, least_probability
from stanch.readings.forecast.forecast import Forecaster, curve_until
from stanch.readings.forecast.learn import HeldOut, true_values
from stanch.readings.forecast.records import Forecast, KineticPrior
from stanch.readings.forecast.store import load_prior, shipped_prior
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.population import VirtualPatient, draw
from stanch.virtual.blood.records import Composition

ROOT = Path(__file__).resolve().parent.parent
RESULTS = ROOT / "benchmarks" / "results"
MINUTES = (2, 5, 10, 15)
POPULATIONS = ("like", "other blood", "other model", "no model")
STIFFENING = 0.2 / 1800.0
"""Relative gain of a clot of `no model` per second of its age [1/s]."""
LIMITS = {"early_modulus": 450.0, "plateau": 600.0, "retention": 0.88}
LOOKS = tuple(
    float(60 * m) for m in (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 24, 28, 32, 36, 40, 45, 50, 55)
)
COVERAGE_COLUMNS = (
    "population", "quantity", "well", "kind", "since", "minutes", "forecasts", "covered", "unavailable",
    "median_width_percent",
)  # fmt: skip
SAVED_COLUMNS = (
    "population", "quantity", "limit", "chosen_on", "minimum_probability", "judged", "beyond", "not_found", "invented",
    "wrong_waiting", "decided_early_percent", "median_saved_min", "lower_quartile_min", "upper_quartile_min",
)  # fmt: skip

Floats = NDArray[np.float64]


def prior_tool() -> ModuleType:
    """The script that made the prior: its wells, pushes and kinds."""
    name = "make_prior_tool"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / "make_prior.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def shifted(composition: Composition, population: str) -> Composition:
    """The blood of a population."""
    if population != "other blood":
        return composition
    return replace(
        composition,
        factors={name: 0.6 * value for name, value in composition.factors.items()},
        platelet_function=0.6 * composition.platelet_function,
    )


def choices_of(population: str) -> Choices | None:
    """The model of a population."""
    return Choices(platelet_law="add", concentration_exponent=1.5) if population == "other model" else None


@dataclass(frozen=True)
class Case:
    """One virtual patient: pushes, truth and what is to be forecast."""

    patient: VirtualPatient
    sample: HeldOut
    truth: dict[tuple[str, str], float]
    onset: dict[str, float]


def bend(truth: dict[str, tuple[Floats, Floats]], population: str) -> dict[str, tuple[Floats, Floats]]:
    """True curves as they are in a population: those of `no model` go on stiffening."""
    if population != "no model":
        return truth
    found = {}
    for name, (time, modulus) in truth.items():
        set_ = np.flatnonzero(modulus >= 10.0)
        age = np.maximum(time - time[set_[0]], 0.0) if set_.size else 0.0 * time
        found[name] = (time, modulus * (1.0 + STIFFENING * age))
    return found


def cases(per_kind: int, seed: int, population: str, prior: KineticPrior, more_lysis: int = 0) -> Iterator[Case]:
    """Patients of a seed that the prior was not made with."""
    tool = prior_tool()
    known = tool.classes(tool.demo_assay())
    people = [one for kind in tool.KINDS for one in draw(kind, per_kind + more_lysis * (kind == "lysis"), seed)]
    for number, patient in enumerate(people):
        blood = shifted(patient.composition, population)
        rng = np.random.default_rng([seed, 17, number])
        sample = tool.seen(bend(tool.true_curves(blood, known, choices_of(population)), population), rng)
        truth = true_values(sample.truth, prior.pairs[:1], prior.definitions, prior.run)
        onset = {}
        for name, (time, modulus) in sample.truth.items():
            onset[name] = float(targets.early_modulus(time, modulus[None, :], prior.definitions)[1][0])
        yield Case(patient, sample, truth, onset)


def looks(
    case: Case, teller: Forecaster, wells: dict[str, str], pair: tuple[str, str] | None, now: float
) -> dict[tuple[str, str], Forecast]:
    """Forecasts of a case at one time, by quantity and name of the well."""
    curves = {name: curve_until(case.sample.moduli[name], now) for name in {*wells.values(), *(pair or ())}}
    found = {}
    for name, one in wells.items():
        for key, forecast in teller.well(curves[one], one, now).items():
            found[key, name] = forecast
    if pair is not None:
        found["retention", "base"] = teller.pair((curves[pair[0]], curves[pair[1]]), pair, now)
    return found


def coverage(per_kind: int, seed: int, population: str, prior: KineticPrior) -> list[tuple[str, ...]]:
    """Rows of the table of coverage."""
    teller, wells, pair = _set_up(prior)
    tally: dict[tuple[str, str, str, str, int], list[tuple[bool, float] | None]] = defaultdict(list)
    for case in cases(per_kind, seed, population, prior):
        for since in ("activation", "onset"):
            for minutes in MINUTES:
                for well, one in wells.items():
                    now = 60.0 * minutes + (case.onset[one] if since == "onset" else 0.0)
                    if not now <= prior.run:
                        continue
                    both = pair if well == "base" else None
                    for (key, _), forecast in looks(case, teller, {well: one}, both, now).items():
                        truth = case.truth[key, one if key != "retention" else " / ".join(pair)]
                        if math.isnan(truth):
                            continue
                        for kind in (case.patient.kind, "all"):
                            tally[key, well, kind, since, minutes].append(_outcome(forecast, truth))
    return [_row(population, place, found) for place, found in sorted(tally.items())]


def _set_up(prior: KineticPrior) -> tuple[Forecaster, dict[str, str], tuple[str, str]]:
    tool = prior_tool()
    known = tool.classes(tool.demo_assay())
    return Forecaster(prior), {name: known[name] for name in ("base", "low")}, prior.pairs[0]


def _outcome(forecast: Forecast, truth: float) -> tuple[bool, float] | None:
    """Whether the truth lies inside and how wide the interval is [%]; None when there is no forecast."""
    e = forecast.estimate
    if e.status == "unavailable":
        return None
    low, high = (e.low if e.low is not None else -math.inf), (e.high if e.high is not None else math.inf)
    scale = 1.0 if forecast.key == "retention" else max(truth, 10.0)
    return bool(low <= truth <= high), 100.0 * (high - low) / scale


def _row(
    population: str, place: tuple[str, str, str, str, int], found: list[tuple[bool, float] | None]
) -> tuple[str, ...]:
    key, well, kind, since, minutes = place
    told = [one for one in found if one is not None]
    width = f"{float(np.median([w for _, w in told])):.1f}" if told else ""
    inside = sum(covered for covered, _ in told)
    return (
        population,
        key,
        well,
        kind,
        since,
        str(minutes),
        str(len(told)),
        str(inside),
        str(len(found) - len(told)),
        width,
    )


@dataclass
class Decisions:
    """What is asked of every patient and one quantity."""

    chance: list[Floats]
    truth: list[bool]
    waited: list[bool]
    ready: list[float]

    def half(self, which: int) -> tuple[Floats, list[bool], list[bool], list[float]]:
        """Every second patient."""
        part = slice(which, None, 2)
        return np.array(self.chance[part]), self.truth[part], self.waited[part], self.ready[part]


def decisions(per_kind: int, more_lysis: int, seed: int, population: str, prior: KineticPrior) -> dict[str, Decisions]:
    """Forecasts of all looks, truth and the ordinary reading, by quantity."""
    teller, wells, pair = _set_up(prior)
    base = {"base": wells["base"]}
    found: dict[str, Decisions] = defaultdict(lambda: Decisions([], [], [], []))
    for case in cases(per_kind, seed, population, prior, more_lysis):
        rows: dict[str, list[float]] = defaultdict(list)
        for now in LOOKS:
            for (key, _), forecast in looks(case, teller, base, pair, now).items():
                value = forecast.probability_below(LIMITS[key])
                rows[key].append(math.nan if value is None else value)
        whole = {name: curve_until(case.sample.moduli[name], prior.run) for name in pair}
        ends = [
            *teller.raw_well(whole[pair[0]], pair[0], prior.run),
            teller.raw_pair((whole[pair[0]], whole[pair[1]]), pair, prior.run),
        ]
        for raw in ends:
            truth = case.truth[raw.key, pair[0] if raw.key != "retention" else " / ".join(pair)]
            if math.isnan(truth) or not np.isfinite(raw.samples).any():
                continue
            one = found[raw.key]
            one.chance.append(np.array(rows[raw.key]))
            one.truth.append(truth < LIMITS[raw.key])
            one.waited.append(bool(np.nanmedian(raw.samples) < LIMITS[raw.key]))
            one.ready.append(min(float(np.median(raw.ready)), prior.run))
    return found


def saved(per_kind: int, more_lysis: int, seed: int, population: str, prior: KineticPrior) -> list[tuple[str, ...]]:
    """Rows of the table of minutes saved: the probability is chosen on half of the patients, judged on the others."""
    lines: list[tuple[str, ...]] = []
    for key, one in sorted(decisions(per_kind, more_lysis, seed, population, prior).items()):
        if len(one.truth) < 2:
            continue
        first = one.half(0)
        minimum = least_probability(LOOKS, *first)
        chance, truth, waited, ready = one.half(1)
        s = decided(LOOKS, chance, truth, waited, ready, minimum)
        beyond = np.array(truth)
        low, middle, high = np.quantile(s.saved / 60.0, [0.25, 0.5, 0.75])
        lines.append(
            (
                population, key, f"{LIMITS[key]:g}", str(len(first[1])), f"{minimum:g}", str(beyond.size),
                str(int(beyond.sum())), str(int(s.wrong[beyond].sum())), str(int(s.wrong[~beyond].sum())),
                str(int(s.wrong_waiting.sum())), f"{100 * float(np.mean(s.saved > 0)):.0f}",
                f"{middle:.0f}", f"{low:.0f}", f"{high:.0f}",
            )
        )  # fmt: skip
    return lines


def write(path: Path, columns: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """A CSV file."""
    with path.open("w", encoding="utf-8", newline="") as sink:
        writer = csv.writer(sink, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--per-kind", type=int, default=30, help="virtual patients of each kind")
    parser.add_argument("--saved-per-kind", type=int, default=20, help="the same for minutes saved")
    parser.add_argument("--more-lysis", type=int, default=40, help="further ones with lysis for minutes saved")
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--prior", type=Path, default=None)
    parser.add_argument("--populations", nargs="+", choices=POPULATIONS, default=POPULATIONS)
    parser.add_argument("--write", action="store_true", help="write the tables into benchmarks/results")
    args = parser.parse_args()
    prior = shipped_prior() if args.prior is None else load_prior(args.prior)
    rows, lines = [], []
    for population in args.populations:
        found = coverage(args.per_kind, args.seed, population, prior)
        rows += found
        for row in found:
            if row[3] == "all":
                n, inside = int(row[6]), int(row[7])
                p = binomtest(inside, n, 0.95).pvalue if n else 1.0
                print(f"{' | '.join(row)} | {100 * inside / max(n, 1):.1f} % | p {p:.3f}", flush=True)
        gained = saved(args.saved_per_kind, args.more_lysis, args.seed + 1, population, prior)
        lines += gained
        for line in gained:
            print(" | ".join(line), flush=True)
        if args.write:
            RESULTS.mkdir(exist_ok=True)
            write(RESULTS / "forecast_coverage.csv", COVERAGE_COLUMNS, rows)
            write(RESULTS / "forecast_saved.csv", SAVED_COLUMNS, lines)


if __name__ == "__main__":
    main()
