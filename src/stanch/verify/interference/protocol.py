"""The interference protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.verify.interference._along import along
from stanch.verify.interference._carry_over import carry_over
from stanch.verify.interference._common import QUESTION
from stanch.verify.interference._paired import paired
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]


def _run(table: Table, **settings: Any) -> Account:
    design = settings["design"]
    run = {"paired": paired, "dose": along, "stability": along, "carry-over": carry_over}[design]
    return run(table, settings)


_RESULT = ("dose", "stability", "carry-over")

PROTOCOL = Protocol(
    "interference",
    QUESTION,
    "Test and control results, results along a dose or a time, or results in the order of measurement.",
    (
        Option(
            "design",
            "choice",
            "How the study was laid out.",
            choices=("paired", "dose", "stability", "carry-over"),
            required=True,
        ),
        Option(
            "control",
            "column",
            "Column with the results without the interfering matter.",
            required=True,
            designs=("paired",),
        ),
        Option(
            "test", "column", "Column with the results with the interfering matter.", required=True, designs=("paired",)
        ),
        Option("pool", "column", "Column naming the pool or level; each is judged on its own.", designs=("paired",)),
        Option(
            "pairing",
            "choice",
            "Whether a row is one sample or the columns are replicates of two pools.",
            default="pairs",
            choices=("pairs", "pools"),
            designs=("paired",),
        ),
        Option(
            "dose",
            "column",
            "Column with the dose, dilution, haematocrit or temperature.",
            required=True,
            designs=("dose",),
        ),
        Option(
            "time",
            "column",
            "Column with the time since draw, rest or transport.",
            required=True,
            designs=("stability",),
        ),
        Option("result", "column", "Column with the results.", required=True, designs=_RESULT),
        Option("sample", "column", "Column naming the sample or donor.", designs=_RESULT),
        Option("reference", "number", "Dose or time without effect.", default=0.0, designs=("dose", "stability")),
        Option("claim", "number", "Dose or time up to which the result is to hold.", designs=("dose", "stability")),
        Option("order", "count", "Order of the polynomial, 1 to 3.", default=1, designs=("dose", "stability")),
        Option(
            "slopes",
            "choice",
            "Whether samples may respond differently; by default they may where there are several.",
            choices=("vary", "common"),
            designs=("dose", "stability"),
        ),
        Option("along-unit", "text", "Unit of the dose or time.", default="", designs=("dose", "stability")),
        Option(
            "order-of",
            "column",
            "Column with the order of measurement; by default that of the rows.",
            designs=("carry-over",),
        ),
        Option(
            "series", "column", "Column naming the run; the first of a run follows nothing.", designs=("carry-over",)
        ),
        Option(
            "scheme",
            "choice",
            "Sequences of high and low results, or random order.",
            default="sequences",
            choices=("sequences", "random"),
            designs=("carry-over",),
        ),
        Option("high", "text", "Name of the high sample.", designs=("carry-over",)),
        Option("low", "text", "Name of the low sample.", designs=("carry-over",)),
        Option(
            "allowed",
            "number",
            "Largest change allowed, in the unit of the results; a ratio above 1 on the scale ratio; a share for "
            "carry-over.",
        ),
        Option(
            "scale",
            "choice",
            "Differences or ratios.",
            default="difference",
            choices=("difference", "ratio"),
            designs=("paired", "dose", "stability"),
        ),
        Option("factor", "text", "What is tested, in words.", default="the factor"),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05),
        Option("unit", "text", "Unit of the results.", default=""),
    ),
    _run,
)
