"""The page of what the demo assay cannot see, from the tables that ``benchmarks/unseen_changes.py`` writes."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from pathlib import Path

RESULTS = Path(__file__).resolve().parent.parent / "benchmarks" / "results"


def _rows(name: str) -> list[dict[str, str]]:
    with (RESULTS / name).open(encoding="utf-8", newline="") as source:
        return list(csv.DictReader(source))


def _table(head: list[str], rows: Iterable[list[str]]) -> list[str]:
    return [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}", *(f"| {' | '.join(row)} |" for row in rows), ""]


def _share(row: dict[str, str], key: str) -> str:
    """How many, with the exact limits of the share in per cent."""
    low, high = (100 * float(row[f"{key}_{side}"]) for side in ("low", "high"))
    return f"{row[key]} ({low:.0f} to {high:.0f} %)"


def _pairs(rows: list[dict[str, str]], noise: str) -> Iterator[list[str]]:
    for row in rows:
        if row["noise"] == noise:
            keys = ("rule", "beyond", "crossed") if noise == "yes" else ("rule", "crossed")
            told = [_share(row, key) for key in keys]
            yield [row["change"], row["expected"], row["part"], row["donors"], *told, row["most_often"]]


def _moved(rows: list[dict[str, str]]) -> Iterator[list[str]]:
    keys = ("onset_low_well", "onset_base_well", "early_modulus_base", "fibrin_modulus", "platelet_modulus")
    for row in rows:
        if row["noise"] == "no" and row["part"] == "any":
            yield [row["change"], *(_ratio(row[key]) for key in (*keys, "gel_time_contact_well"))]


def _ratio(text: str) -> str:
    return f"{float(text):.2f}" if text and text != "inf" else "none"


def _reach(rows: list[dict[str, str]]) -> Iterator[list[str]]:
    words = {"lack": "down to", "excess": "up to"}
    for row in rows:
        sizes = [row[k] if row[k] else "not seen" for k in ("half", "quarter", "three_quarters")]
        looked = f"{words[row['direction']]} {float(row['at']):g} {row['unit']}"
        seen = f"{row['seen']} of {row['donors']}"
        yield [row["changed"], row["unit"], row["part"], looked, seen, *sizes, row["first"]]


def page(generated: str) -> str:
    """The page as Markdown."""
    pairs, reach = _rows("unseen_changes.csv"), _rows("unseen_reach.csv")
    lines = [
        "# Measured: what the demo assay cannot see",
        "",
        generated,
        "",
        "Demo data throughout: invented donors, an invented assay, invented limits. What it means:",
        "[](../explanation/what-the-assay-cannot-see.md). Donors are healthy virtual donors whose readings without",
        "noise all lie inside the assay's limits. *Part*: everything the assay reads, or only what rests on base",
        "wells alone.",
        "",
        "## Donors seen because of a change, through noise",
        "",
        "How many, with exact 95 % limits of the share. *Rule*: a rule newly supported. *Beyond*: a reading newly",
        "beyond a limit with a probability of 95 %. *Crossed*: a value newly outside, by however little; noise alone",
        "does that to a donor near a limit, see the first row. *Expected* was written down before the first run.",
        f"Commit {pairs[0]['commit']}, seed {pairs[0]['seed']}.",
        "",
        *_table(
            ["change", "expected", "part", "donors", "rule", "beyond", "crossed", "most often crossed"],
            _pairs(pairs, "yes"),
        ),
        "## The same without noise",
        "",
        *_table(
            ["change", "expected", "part", "donors", "rule", "crossed", "most often crossed"], _pairs(pairs, "no")
        ),
        "## How much the readings move",
        "",
        "Median over donors of the reading with the change over that without, without noise. The last column is the",
        "gel time of a well with contact activation, which the demo assay does not have; *none*: in most donors no",
        "value is left.",
        "",
        *_table(
            ["change", "onset, low", "onset, base", "early modulus, base", "fibrin modulus", "platelet modulus",
             "gel time, contact"],
            _moved(pairs),
        ),
        "## How large a change must be",
        "",
        "The size at which a reading without noise first lies outside a limit: in half of the donors, in the quarter",
        "that is easiest to see, and in three quarters. Sizes are what is left of the factor, or what is there of a",
        "substance; a donor who has less, or more, to begin with keeps it.",
        f"Commit {reach[0]['commit']}, seed {reach[0]['seed']}.",
        "",
        *_table(
            ["changed", "unit", "part", "looked", "seen", "half", "a quarter", "three quarters", "first outside"],
            _reach(reach),
        ),
    ]  # fmt: skip
    return "\n".join(lines)
