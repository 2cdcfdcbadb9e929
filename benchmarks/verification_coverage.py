"""Every coverage study of verification: nominal and measured shares into one table, with exact binomial verdicts.

    python benchmarks/verification_coverage.py --runs 2000
    python benchmarks/verification_coverage.py --area hold --only "90 % error"

Rows go to ``benchmarks/results/verification_coverage.csv`` as they are found; a row found again replaces the older one.
From that file ``tools/make_pages.py`` writes the page of measured coverage. Each row names the commit, the day and the
machine it was measured on.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import datetime
import io
import platform
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import numpy as np
import scipy
import verification_control_rates as control
import verification_coverage_agreement as agreement
import verification_coverage_assay as assay
import verification_coverage_budget as budget
import verification_coverage_detection as detection
import verification_coverage_limits as limits
import verification_coverage_precision as precision
from scipy import stats

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results" / "verification_coverage.csv"
JUDGED_AT = 0.001
"""Exact binomial p below which measured and nominal differ [-]."""


@dataclass(frozen=True)
class Count:
    """How often an interval held the truth, or a claim was made."""

    what: str
    nominal: float
    promise: str
    hits: int
    runs: int
    picked_from: int = 1

    @property
    def p(self) -> float:
        """Exact binomial p on the side that breaks the promise, times how many the row is the worst of."""
        side = {"exact": "two-sided", "at least": "less", "at most": "greater"}[self.promise]
        return min(1.0, self.picked_from * float(stats.binomtest(self.hits, self.runs, self.nominal, side).pvalue))

    @property
    def verdict(self) -> str:
        """``as stated``, ``short`` (the promise is not kept) or ``wide`` (kept with more room than stated)."""
        if self.p >= JUDGED_AT:
            return "as stated"
        above = self.hits / self.runs > self.nominal
        return "short" if above == (self.promise == "at most") else "wide"


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    area: str
    what: str
    nominal: str
    promise: str
    hits: int
    runs: int
    measured: str
    low99: str
    high99: str
    p: str
    verdict: str
    seed: int
    commit: str
    date: str
    machine: str


def of_precision(runs: int, seed: int, only: str) -> Iterator[Count]:
    for number, title in enumerate(precision.STUDIES):
        if only in title:
            for quantity, method, hits, _ in precision.counted(number, runs, seed):
                promise = "at least" if method == "verification limit" else "exact"
                yield Count(f"{title}: {quantity}, {method}", 0.95, promise, hits, runs)


def of_agreement(runs: int, seed: int, only: str) -> Iterator[Count]:
    for name in agreement.STUDIES:
        if only in name:
            for label, hits, done in agreement.study(name, runs, seed):
                if done:
                    yield Count(label, 0.95, "exact", hits, done)


def of_detection(runs: int, seed: int, only: str) -> Iterator[Count]:
    for place, (name, one) in enumerate(detection.STUDIES.items()):
        if only in name:
            for row in one(np.random.default_rng([seed, place]), runs):
                # Rows without a verdict are averages of shares, not counts.
                if row.hits is not None:
                    yield Count(row.name, row.nominal, row.promise, row.hits, row.runs, row.picked_from)


def of_limits(runs: int, seed: int, only: str) -> Iterator[Count]:
    for name in ("limits",):
        if only in name:
            yield from (Count(f.what, f.nominal, "exact", f.hits, f.runs) for f in limits.STUDIES[name](runs, seed))


def of_discrimination(runs: int, seed: int, only: str) -> Iterator[Count]:
    for name in ("area", "cut-off"):
        if only in name:
            yield from (Count(f.what, f.nominal, "exact", f.hits, f.runs) for f in limits.STUDIES[name](runs, seed))


def of_assay(runs: int, seed: int, only: str) -> Iterator[Count]:
    for place, case in enumerate(assay.CASES):
        if only in case.name:
            yield Count(case.name, case.nominal, case.kind, *case.counted(runs, np.random.default_rng([seed, place])))


def of_hold(runs: int, seed: int, only: str) -> Iterator[Count]:
    for place, case in enumerate(assay.HOLD_CASES):
        if only in case.name:
            hits, done = case.counted(runs, np.random.default_rng([seed, 1000 + place]))
            yield Count(case.name.removeprefix("hold, "), case.nominal, case.kind, hits, done)


def of_budget(runs: int, seed: int, only: str) -> Iterator[Count]:
    for name, hits in budget.coverage(runs, seed, 0.95, 2000, report=lambda _: None).items():
        if only in name:
            yield Count(name, 0.95, "exact", hits, runs)


def of_lots(runs: int, seed: int, only: str) -> Iterator[Count]:
    promises = {"two-sided": "exact", "less": "at least", "greater": "at most"}
    for part in (control.of_lots, control.of_rounds):
        if only in part.__name__:
            control.SHARES.clear()
            with contextlib.redirect_stdout(io.StringIO()):
                part(runs, seed)
            for name, count, of, nominal, alternative in control.SHARES:
                yield Count(name, nominal, promises[alternative], count, of)


AREAS: dict[str, Callable[[int, int, str], Iterator[Count]]] = {
    "precision": of_precision,
    "agreement": of_agreement,
    "reference-limits": of_limits,
    "discrimination": of_discrimination,
    "detection and linearity": of_detection,
    "budget": of_budget,
    "hold": of_hold,
    "assay": of_assay,
    "lots and rounds": of_lots,
}


def row_of(area: str, one: Count, seed: int, where: tuple[str, str, str]) -> Row:
    """A count with its exact 99 % interval and verdict."""
    low, high = stats.binomtest(one.hits, one.runs).proportion_ci(0.99)
    share = one.hits / one.runs
    numbers = (f"{share:.4f}", f"{low:.4f}", f"{high:.4f}", f"{one.p:.2g}")
    nominal = f"{one.nominal:.5g}"
    return Row(area, one.what, nominal, one.promise, one.hits, one.runs, *numbers, one.verdict, seed, *where)


def read(path: Path) -> list[Row]:
    """Rows found so far."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return [
            Row(**{k: int(v) if k in ("hits", "runs", "seed") else v for k, v in line.items()})  # type: ignore[arg-type]
            for line in csv.DictReader(file)
        ]


def write(path: Path, rows: list[Row]) -> None:
    """All rows, by area."""
    order = list(AREAS)
    path.parent.mkdir(exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        made = csv.DictWriter(file, [f.name for f in fields(Row)], lineterminator="\n")
        made.writeheader()
        made.writerows(asdict(row) for row in sorted(rows, key=lambda row: order.index(row.area)))


def commit_now() -> str:
    """Short name of the commit; with a plus sign where the code differs from it."""

    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=HERE, capture_output=True, text=True, check=True).stdout.strip()

    return git("rev-parse", "--short=10", "HEAD") + (
        "+" if git("status", "--porcelain", "--", "../src", "*.py") else ""
    )


def machine_now() -> str:
    """Processor, operating system and versions that a result may depend on."""
    processor = platform.processor() or platform.machine()
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                processor = line.partition(":")[2].strip()
                break
    except OSError:
        pass
    system = f"{platform.system()} {platform.machine()}"
    return (
        f"{processor}, {system}, Python {platform.python_version()}, NumPy {np.__version__}, SciPy {scipy.__version__}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=2000, help="simulated studies of each row")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--area", choices=tuple(AREAS), action="append", help="only these; may be given again")
    parser.add_argument("--only", default="", help="studies whose name contains this")
    parser.add_argument("--results", type=Path, default=RESULTS, help="table to write to")
    given = parser.parse_args()
    where = (commit_now(), datetime.datetime.now(datetime.UTC).date().isoformat(), machine_now())
    for area in given.area or AREAS:
        for one in AREAS[area](given.runs, given.seed, given.only):
            row = row_of(area, one, given.seed, where)
            kept = [old for old in read(given.results) if (old.area, old.what) != (area, one.what)]
            write(given.results, [*kept, row])
            print(f"{area:24} {one.what:88} {one.nominal:8.4f} {row.measured:>8} {row.p:>8}  {row.verdict}", flush=True)


if __name__ == "__main__":
    main()
