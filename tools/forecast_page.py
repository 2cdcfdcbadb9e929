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


def _covered(row: dict[str, str]) -> str:
    return f"{100 * int(row['covered']) / int(row['forecasts']):.0f}" if int(row["forecasts"]) else ""


def _cells(row: dict[str, str], *first: str) -> list[str]:
    since = f"{row['minutes']} min after {row['since']}"
    return [*(row[key] for key in first), since, row["forecasts"], _covered(row), row["unavailable"],
            row["median_width_percent"]]  # fmt: skip


def page(generated: str) -> str:
    """The page as Markdown."""
    rows = _rows("forecast_coverage.csv")
    saved = _rows("forecast_saved.csv")
    told = ["forecasts", "inside [%]", "unavailable", "median width [%]"]
    lines = [
        "# Measured coverage of forecasts",
        "",
        generated,
        "",
        "Share of true values inside the 95 % interval, on virtual patients that the shipped prior never saw, by",
        "`benchmarks/forecast_coverage.py`. Widths are in percent of the true modulus, or in percentage points of a",
        "retention. `like`: drawn as the prior's patients. `other blood`: factors and platelet function at 60 %.",
        "`other model`: platelets add to fibrin instead of multiplying it, and fibrin counts to the power 1.5;",
        "no curve of the prior does that. The intervals promise nothing for the last two, and nothing for one kind",
        "apart. Few patients were run: a share is known only roughly.",
        "",
        "Of 55 forecasts with a true coverage of 95 %, between 47 and 55 lie inside with 99 % probability.",
        "",
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
        "a limit, against waiting for the reading. The least probability is taken with which forecasts are wrong no",
        "more often than those of waiting, on these same samples; where none was, the last one stands with its errors.",
        "",
        *_table(
            ["population", "quantity", "limit", "samples", "below", "probability", "wrong [%]", "wrong, waiting [%]",
             "decided early [%]", "minutes saved: median", "quartiles"],
            ([row["population"], row["quantity"], row["limit"], row["samples"], row["beyond"],
              row["minimum_probability"],
              row["wrong_percent"], row["wrong_waiting_percent"], row["decided_early_percent"], row["median_saved_min"],
              f"{row['lower_quartile_min']} to {row['upper_quartile_min']}"] for row in saved),
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
