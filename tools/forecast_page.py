"""The page of measured forecasts, from the tables that ``benchmarks/forecast_coverage.py`` writes."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

RESULTS = Path(__file__).resolve().parent.parent / "benchmarks" / "results"


def _rows(name: str) -> list[dict[str, str]]:
    with (RESULTS / name).open(encoding="utf-8", newline="") as source:
        return list(csv.DictReader(source))


def _table(head: list[str], rows: Iterator[list[str]]) -> list[str]:
    return [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}", *(f"| {' | '.join(row)} |" for row in rows)]


def _interval(count: int, of: int) -> str:
    """Exact 95 % interval of a share [%]."""
    from scipy.stats import binomtest

    if not of:
        return ""
    found = binomtest(count, of).proportion_ci(0.95, "exact")
    return f"{100 * found.low:.0f} to {100 * found.high:.0f}"


def _cells(row: dict[str, str], *first: str) -> list[str]:
    inside, of = int(row["covered"]), int(row["forecasts"])
    return [*(row[key] for key in first), f"{row['minutes']} min after {row['since']}", row["forecasts"],
            f"{100 * inside / of:.0f}" if of else "", _interval(inside, of), row["unavailable"],
            row["median_width_percent"]]  # fmt: skip


def _short(rows: list[dict[str, str]]) -> list[str]:
    """Where fewer lie inside than chance allows at a true coverage of 95 %, in words."""
    from scipy.stats import binomtest

    whole = [row for row in rows if row["kind"] == "all" and int(row["forecasts"])]
    found = []
    for row in whole:
        inside, of = int(row["covered"]), int(row["forecasts"])
        if binomtest(inside, of, 0.95, alternative="less").pvalue < 0.01:
            found.append(
                f"* {row['population']}: {row['quantity'].replace('_', ' ')} of `{row['well']}`, {row['minutes']} min "
                f"after {row['since']}: {inside} of {of}"
            )
    head = (
        f"Of the {len(whole)} rows of the next table, {len(found)} hold so few that chance gives as few in less than "
        "one of a hundred such rows with a true coverage of 95 %"
    )
    shares = []
    for population in dict.fromkeys(row["population"] for row in whole):
        mine = [row for row in whole if row["population"] == population]
        inside, of = (sum(int(row[key]) for row in mine) for key in ("covered", "forecasts"))
        shares.append(f"{population} {100 * inside / of:.1f} %")
    together = [
        f"All rows together: {', '.join(shares)}. Above 95 %, intervals are wider than they need be: the margin",
        "is the largest that one of three groups of the prior asks for.",
        "",
    ]
    return [f"{head}{':' if found else '.'}", "", *found, *([""] if found else []), *together]


def _decisions(row: dict[str, str]) -> list[str]:
    judged, below = int(row["judged"]), int(row["beyond"])
    missed, invented = int(row["not_found"]), int(row["invented"])
    return [row["population"], row["quantity"], row["limit"], row["chosen_on"], row["minimum_probability"],
            f"{missed} of {below}", _interval(missed, below), f"{invented} of {judged - below}",
            _interval(invented, judged - below), row["wrong_waiting"], row["decided_early_percent"],
            row["median_saved_min"],
            f"{row['lower_quartile_min']} to {row['upper_quartile_min']}"]  # fmt: skip


def page(generated: str) -> str:
    """The page as Markdown."""
    rows = _rows("forecast_coverage.csv")
    saved = _rows("forecast_saved.csv")
    told = ["forecasts", "inside [%]", "95 % interval [%]", "unavailable", "median width [%]"]
    lines = [
        "# Measured coverage of forecasts",
        "",
        generated,
        "",
        "Share of true values inside the 95 % interval, on virtual patients that the shipped prior never saw, by",
        "`benchmarks/forecast_coverage.py`, with its exact (Clopper-Pearson) interval. Widths are in percent of",
        "the true modulus, or in percentage points of a retention.",
        "",
        "* `like`: drawn as the patients of the prior's first group.",
        "* `other blood`: factors and platelet function at 60 %. `other model`: platelets add to fibrin instead of",
        "  multiplying it, and fibrin counts to the power 1.5. The library holds blood and models about as far off as",
        "  these, so the two say how it does on what it was made to know, and not on anything whatever.",
        "* `no model`: clots go on stiffening, by a fifth of their modulus per half hour of their age, without an",
        "  end. No curve of the library does that. Nothing is promised there.",
        "",
        *_short(rows),
        "## All kinds together",
        "",
        *_table(
            ["population", "quantity", "well", "when", *told],
            (_cells(row, "population", "quantity", "well") for row in rows if row["kind"] == "all"),
        ),
        "",
        "## Minutes saved at no more errors",
        "",
        "Deciding, at the first two forecasts in a row that are sure enough, whether a value lies below",
        "a limit, against waiting for the reading. On one half of the patients the least probability was chosen with",
        "which forecasts are wrong no more often than those of waiting; the other half judges it: how many values",
        "below the limit were called above it (missed), how many above it were called below (invented), with exact",
        "95 % intervals. Further patients with lysis were drawn so that enough values lie below each limit.",
        "",
        *_table(
            ["population", "quantity", "limit", "chosen on", "probability", "missed", "[%]", "invented", "[%]",
             "wrong, waiting", "decided early [%]", "minutes saved: median", "quartiles"],
            (_decisions(row) for row in saved),
        ),
        "",
        "## By kind, population `like`",
        "",
        *_table(
            ["kind", "quantity", "well", "when", *told],
            (
                _cells(row, "kind", "quantity", "well")
                for row in rows
                if row["kind"] != "all" and row["population"] == "like"
            ),
        ),
        "",
    ]  # fmt: skip
    return "\n".join(lines)
