"""The reagents protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.verify.protocol import Option, Protocol
from stanch.verify.reagents._antifibrinolytic import antifibrinolytic
from stanch.verify.reagents._block import block
from stanch.verify.reagents._common import QUESTION
from stanch.verify.reagents._contact import contact
from stanch.verify.reagents._neutraliser import neutraliser
from stanch.verify.reagents._null import null
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]


def _run(table: Table, **s: Any) -> Account:
    designs = {
        "neutraliser": neutraliser,
        "block": block,
        "antifibrinolytic": antifibrinolytic,
        "null-effect": null,
        "contact": contact,
    }
    return designs[s["design"]](table, s)


_N, _B, _A, _E, _C = (("neutraliser",), ("block",), ("antifibrinolytic",), ("null-effect",), ("contact",))

PROTOCOL = Protocol(
    "reagents",
    QUESTION,
    "Spiked series, paired wells, loss rates or onsets, by design.",
    (
        Option(
            "design",
            "choice",
            "Which additive is put to the test.",
            choices=("neutraliser", "block", "antifibrinolytic", "null-effect", "contact"),
            required=True,
        ),
        Option("dose", "column", "Column with the dose of the spike.", required=True, designs=_N),
        Option("result", "column", "Column with the onset in the well with neutraliser.", required=True, designs=_N),
        Option("sample", "column", "Column naming the sample or donor.", required=True, designs=_N),
        Option("reference", "number", "Dose of the unspiked samples.", default=0.0, designs=_N),
        Option("wanted", "number", "Dose the neutraliser must take away.", designs=_N),
        Option("dose-unit", "text", "Unit of the dose.", default="", designs=_N),
        Option("base", "column", "Column with the modulus of the base well.", required=True, designs=_B),
        Option("blocked", "column", "Column with the modulus with the blocker.", required=True, designs=_B),
        Option(
            "reference-well",
            "column",
            "Column with the modulus without platelet part, found in an independent way.",
            required=True,
            designs=_B,
        ),
        Option("lot", "column", "Column naming the lot of the blocker; each is judged on its own.", designs=_B),
        Option("weakest", "number", "Platelet part a donor must exceed to be used.", default=0.0, designs=_B),
        Option("allowed-sd", "number", "Largest SD of the block fraction between donors.", designs=_B),
        Option(
            "protected",
            "column",
            "Column with the loss rate: antifibrinolytic, lysis added.",
            required=True,
            designs=_A,
        ),
        Option("control", "column", "Column with the loss rate: antifibrinolytic, no lysis added.", designs=_A),
        Option("unprotected", "column", "Column with the loss rate: no antifibrinolytic, lysis added.", designs=_A),
        Option("without", "column", "Column with the reading without the additive.", required=True, designs=_E),
        Option("with-additive", "column", "Column with the reading with the additive.", required=True, designs=_E),
        Option("additive", "column", "Column naming the additive; each is judged on its own.", designs=_E),
        Option(
            "scale",
            "choice",
            "Ratios or differences.",
            default="ratio",
            choices=("ratio", "difference"),
            designs=_E,
        ),
        Option(
            "with-factor",
            "column",
            "Column with the onset with tissue factor; >x never set.",
            required=True,
            designs=_C,
        ),
        Option(
            "blank", "column", "Column with the onset without tissue factor; >x never set.", required=True, designs=_C
        ),
        Option("least", "number", "Smallest block fraction, or smallest median lead.", designs=(*_B, *_C)),
        Option(
            "allowed",
            "number",
            "Largest ratio to the unspiked sample, above 1; largest residual loss rate; or largest effect, a ratio "
            "above 1 or a difference.",
            designs=(*_N, *_A, *_E),
        ),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05, designs=(*_N, *_A, *_E, *_C)),
        Option("unit", "text", "Unit of the readings.", default="", designs=(*_B, *_A, *_E, *_C)),
    ),
    _run,
)
