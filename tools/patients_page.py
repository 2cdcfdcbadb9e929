"""The page of the studies of virtual blood, from the tables that two benchmarks write."""

from __future__ import annotations

import csv
import textwrap
from collections.abc import Iterable
from pathlib import Path

RESULTS = Path(__file__).resolve().parent.parent / "benchmarks" / "results"


def _rows(name: str) -> list[dict[str, str]]:
    with (RESULTS / name).open(encoding="utf-8", newline="") as source:
        return list(csv.DictReader(source))


def _table(head: list[str], rows: Iterable[list[str]]) -> list[str]:
    return [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}", *(f"| {' | '.join(row)} |" for row in rows), ""]


def _share(part: str, whole: str) -> str:
    return f"{part} of {whole}"


def _cells(row: dict[str, str], *keys: str) -> list[str]:
    return [row[key] for key in keys]


def page(generated: str) -> str:
    """The page as Markdown."""
    signs = _rows("blood_directions.csv")
    coverage, calibration = _rows("patients_coverage.csv"), _rows("patients_calibration.csv")
    findings, kinds, routes = (_rows(f"patients_{name}.csv") for name in ("findings", "kinds", "routes"))
    total = {word: sum(int(row[word]) for row in signs) for word in ("right", "flat", "wrong", "none")}
    lines = [
        "# Measured: virtual patients",
        "",
        generated,
        "",
        "Demo data throughout: invented patients, an invented assay, invented limits. The figures say how well the",
        "chain",
        "from curves to findings recovers what was put in. They say nothing of real patients, and nothing of how",
        "often a",
        "disease is found.",
        "",
        "## Signs of one-factor changes",
        "",
        "`benchmarks/blood_directions.py`: every change of `tests/virtual/blood/directions.toml`, which was",
        "committed before",
        "the model was first run and is held by its hash, on random samples. *Right*: the expected sign beyond 2 %,",
        "or no",
        "change beyond 2 % where none is expected. *Flat*: less than 2 % where a change was expected. *Wrong*: the",
        "opposite",
        "sign, or a change where none was expected. *None*: no value on one side. Nothing was edited afterwards.",
        f"Commit {signs[0]['commit']}, seed {signs[0]['seed']}: "
        + ", ".join(f"{number} {word}" for word, number in total.items())
        + ".",
        "",
        *_table(
            ["change", "reading", "of", "expected", "right", "flat", "wrong", "none", "median change",
             "lowest", "highest"],
            ([row[k] for k in list(row)[:11]] for row in signs),
        ),
        "## Findings",
        "",
        "`benchmarks/virtual_patients.py`. By *traces* displacements are drawn with noise and frozen speckle and go",
        "through",
        "fit, curve, readings and findings; by *echoes* a recording is simulated and analysed as a user would. A",
        "rule",
        "*holds* where it is met by the readings of the curves without error. Every rule asks for a probability of",
        "95 %.",
        f"Commit {findings[0]['commit']}, seed {findings[0]['seed']}.",
        "",
        *_table(
            ["route", "finding", "holds", "patients", "supports", "leaves open", "does not support", "no statement"],
            (
                _cells(row, "route", "finding", "holds", "patients", "supports", "undecided",
                 "does_not_support", "suppressed")
                for row in findings
            ),
        ),
        "## What each kind of patient gets",
        "",
        "Patients in which the rule truly holds, in which it was stated, and both. Limits are the demo's; a healthy",
        "donor",
        "may truly lie beyond an invented limit.",
        "",
        *_table(
            ["route", "kind", "finding", "patients", "holds", "stated", "both"],
            (_cells(r, "route", "kind", "finding", "patients", "holds", "stated",
             "both") for r in kinds if r["holds"] != "0" or r["stated"] != "0"),
        ),
        "## Calibration of stated probabilities",
        "",
        "![Stated probability against the share that truly holds](../pictures/reliability.png)",
        "",
        "Most patients lie far from the assay's limits, so their probabilities are near 0 or 1. The second set holds",
        "every",
        "reading and contrast against limits drawn evenly about its true value, six standard deviations to each",
        "side.",
        "The interval is the exact 99 % interval of the share, as if statements were independent, which those of one",
        "patient are not.",
        "",
        *_table(
            ["route", "against", "from", "to", "statements", "mean stated", "share that holds", "99 % interval"],
            (
                [
                    r["route"],
                    {"finding": "the assay's limits", "limit": "limits about the truth"}[r["what"]],
                    r["from"],
                    r["to"],
                    r["statements"],
                    r["stated"],
                    f"{int(r['true']) / int(r['statements']):.3f}",
                    f"{float(r['low']):.3f} to {float(r['high']):.3f}",
                ]
                for r in calibration
                if r["statements"] != "0"
            ),
        ),
        "## Coverage of 95 % intervals",
        "",
        "*Bounds*: readings given as above or below a bound. *No true value*: the curve without error has none in",
        "this run;",
        "*given*: the analysis gave one all the same. p is the exact binomial p against 95 %.",
        "",
        *_table(
            ["route", "what", "name", "intervals", "inside", "share", "p", "bounds that hold",
             "no true value", "given", "unavailable"],
            (
                [
                    *_cells(r, "route", "what", "name", "intervals", "inside"),
                    f"{int(r['inside']) / int(r['intervals']):.3f}" if r["intervals"] != "0" else "",
                    r["p"] if r["intervals"] != "0" else "",
                    _share(r["kept"], r["bounds"]),
                    *_cells(r, "no true value", "of these given", "unavailable"),
                ]
                for r in coverage
            ),
        ),
        "## Both routes",
        "",
        "The same patients both ways. *Mean* and *rms* are of (error by echoes - error by traces) over the standard",
        "deviation",
        "that both intervals give the difference; 0 and 1 where both are right. For findings: in how many the",
        "outcome is the",
        "same, and in how many one supports what the other does not.",
        "",
        *_table(
            ["what", "name", "pairs", "mean", "rms", "same", "opposed"],
            (_cells(r, "what", "name", "pairs", "mean", "rms", "same",
             "opposed") for r in routes if r["pairs"] != "0"),
        ),
    ]  # fmt: skip
    return "\n".join(_wrapped(lines))


def _wrapped(lines: list[str]) -> list[str]:
    """Lines of prose joined to paragraphs and wrapped."""
    out: list[str] = []
    prose: list[str] = []
    for line in [*lines, ""]:
        if line and line[0] not in "#|<!":
            prose.append(line)
            continue
        out += [*textwrap.wrap(" ".join(prose), 118), line] if prose else [line]
        prose = []
    return out[:-1]
