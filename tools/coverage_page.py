"""The page of measured coverage, from the table that the coverage studies write."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RESULTS = ROOT / "benchmarks" / "results" / "verification_coverage.csv"


@dataclass(frozen=True)
class Reason:
    """Why some rows fall short, and what a report does about it."""

    area: str
    rows: str
    text: str


@dataclass(frozen=True)
class Family:
    """Rows that answer one question."""

    name: str
    area: str
    rows: str


FAMILIES = (
    Family("standard deviations of precision, large-sample limits", "precision", "large-sample"),
    Family("standard deviations of precision, Satterthwaite limits", "precision", "satterthwaite"),
    Family("limits of agreement, exact", "agreement", "limits of agreement, exact"),
    Family("limits of agreement, repeated readings", "agreement", "repeated"),
    Family("Deming slope, jackknife and analytic", "agreement", "^Deming.*slope"),
    Family("weighted Deming slope", "agreement", "weighted Deming.*slope"),
    Family("Passing-Bablok slope", "agreement", "Passing-Bablok.*slope"),
    Family("reference limits by rank", "reference-limits", "^nonparametric"),
    Family("reference limits, Box-Cox", "reference-limits", "^box-cox"),
    Family("area under the curve, logit", "discrimination", "area.*logit"),
    Family("retention", "assay", "^retention"),
)
"""What a laboratory asks first; the rest follows by area."""

REASONS = (
    Reason(
        "precision",
        "satterthwaite$",
        "**Satterthwaite limits of a total that rests mostly on few outer groups.** Degrees of freedom come from the "
        "same mean squares as the standard deviation: where the few groups happen to lie close together, the estimate "
        "is too low and the degrees of freedom are too many at once. The report warns where this is so and names "
        "large-sample limits (`--interval large-sample`), which keep what they state in the same rows.",
    ),
    Reason(
        "agreement",
        "Passing-Bablok.*: intercept$",
        "**Intercept of Passing-Bablok.** Its limits are medians at the opposite slope limits, as the authors define "
        "them: they follow the error of the slope alone, not that of the medians. The report warns, and prints the "
        "intercept with the interval made for a bias beside it.",
    ),
    Reason(
        "agreement",
        "linearity test",
        "**Linearity test of Passing-Bablok with many samples.** It is computed as published and rejects true lines in "
        "more than 5 % of studies of 300 samples, in fewer of 20. Why was not resolved; the definition in the report "
        "gives the rates.",
    ),
    Reason(
        "agreement",
        "limits of agreement, (1986|1999)",
        "**Approximate intervals of limits of agreement with few samples.** They take the standard deviation as normal "
        "about its value and the interval as symmetric. The report warns below 40 samples; the default is exact.",
    ),
    Reason(
        "reference-limits",
        "^robust, (normal|log, log-normal)",
        "**Robust limits of 40 people.** Percentiles of bootstrap draws: draws of few values are narrower than the "
        "population. The report warns below 120 people.",
    ),
    Reason(
        "reference-limits",
        "^robust, log-normal",
        "**Robust limits of skewed values on the plain scale.** The limits themselves are wrong, not their intervals: "
        "the method takes values as symmetric. Shown to say how wrong. The report warns of skewed values; on the scale "
        "of logarithms (`--scale log`) the same values keep what is stated.",
    ),
    Reason(
        "reference-limits",
        "^box-cox, gamma",
        "**Box-Cox limits of 40 people.** The exponent has to come from the same few values, and its likelihood is far "
        "from a parabola. The report warns below 120 people.",
    ),
    Reason(
        "discrimination",
        "area.*wald",
        "**Wald intervals of areas.** Symmetric about an estimate whose distribution is the more skewed the nearer it "
        "is to 1. The report warns; the default is the logit interval.",
    ),
    Reason(
        "detection and linearity",
        "delta$",
        "**Delta intervals of a probit limit.** First order about an estimate that is a ratio. The report warns; the "
        "default is the profile of the likelihood.",
    ),
    Reason(
        "hold",
        "errors t with 5 df",
        "**Error of an early reading with plateaus still rising and heavy tails.** What lies beyond a bound has to "
        "come from a distribution, and it is taken as normal. The report says so wherever a plateau was still rising; "
        "where all were reached nothing is assumed.",
    ),
)

WORDS = {
    "precision": "Standard deviations and claims",
    "agreement": "Two methods",
    "reference-limits": "Reference limits",
    "discrimination": "Areas under the curve and cut-offs",
    "detection and linearity": "Detection and linearity",
    "budget": "Uncertainty budgets",
    "hold": "How early stiffness can be read",
    "assay": "Protocols of the assay itself",
    "lots and rounds": "New lots and quality rounds",
}


def read(path: Path = RESULTS) -> list[dict[str, str]]:
    """Rows of the table."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def reasons_of(row: dict[str, str]) -> list[Reason]:
    """Every reason that fits a row."""
    return [one for one in REASONS if one.area == row["area"] and re.search(one.rows, row["what"])]


def page(head: str) -> str:
    """The whole page."""
    rows = read()
    short = sum(row["verdict"] == "short" for row in rows)
    lines = [
        "# Measured coverage of verification",
        "",
        head,
        "",
        "How often intervals held the truth, and how often claims were made that were false, in simulated studies with",
        "known truth. `benchmarks/verification_coverage.py` writes `benchmarks/results/verification_coverage.csv`, and",
        "from that this page is made. *runs*: simulated studies that gave an answer. Behind the measured share stands",
        "its exact (Clopper-Pearson) 99 % interval. The verdict is that of the exact binomial test at p < 0.001:",
        "*short*, the promise is not kept; *wide*, it is kept with more room than stated. An interval that promises",
        "*at least* its nominal share, or a claim that is wrong *at most* so often, is tested on that side alone.",
        "Where a row is the worst of several, p is multiplied by their number.",
        "",
        f"{len(rows)} rows, {short} of them short; each of these has its reason below its table.",
        "",
        "## In brief",
        "",
        "| interval | nominal | rows | measured, lowest to highest | short |",
        "|---|---|---|---|---|",
        *(_family(one, rows) for one in FAMILIES),
        "",
    ]
    for area in dict.fromkeys(row["area"] for row in rows):
        lines += _area(area, [row for row in rows if row["area"] == area])
    return "\n".join(lines)


def _family(one: Family, rows: list[dict[str, str]]) -> str:
    own = [row for row in rows if row["area"] == one.area and re.search(one.rows, row["what"])]
    shares = [float(row["measured"]) for row in own]
    nominal = sorted({float(row["nominal"]) for row in own})
    stated = f"{nominal[0]:.3g}" if len(nominal) == 1 else f"{nominal[0]:.3g} to {nominal[-1]:.3g}"
    short = sum(row["verdict"] == "short" for row in own)
    return f"| {one.name} | {stated} | {len(own)} | {min(shares):.3f} to {max(shares):.3f} | {short or 'none'} |"


def _area(area: str, rows: list[dict[str, str]]) -> Iterator[str]:
    yield from (f"## {WORDS[area]}", "")
    for commit, date, machine in dict.fromkeys((row["commit"], row["date"], row["machine"]) for row in rows):
        yield f"Measured {date} on commit {commit}: {machine}."
    yield from ("", "| what | nominal | measured | runs | p | verdict |", "|---|---|---|---|---|---|")
    for row in rows:
        promise = "" if row["promise"] == "exact" else f"{row['promise']} "
        measured = f"{row['measured']} ({row['low99']} to {row['high99']})"
        verdict = f"**{row['verdict']}**" if row["verdict"] == "short" else row["verdict"]
        what = row["what"].replace("|", "\\|")
        yield f"| {what} | {promise}{float(row['nominal']):.4g} | {measured} | {row['runs']} | {row['p']} | {verdict} |"
    yield ""
    said = dict.fromkeys(reason for row in rows if row["verdict"] == "short" for reason in reasons_of(row))
    for reason in said:
        yield from (f"* {reason.text}",)
    if said:
        yield ""
