"""The reference-limits protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.errors import UsageError
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.reference_limits._common import Chosen
from stanch.verify.reference_limits._establish import QUESTION, establish
from stanch.verify.reference_limits._partition import partition
from stanch.verify.reference_limits._transfer import transfer
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

OWN_LIMITS = ("establish", "partition")


def _run(table: Table, **options: Any) -> Account:
    design = options["design"]
    if design == "transfer":
        if options["lower"] is None and options["upper"] is None:
            raise UsageError("option --lower or --upper", got="neither", allowed="at least one", do="Give one.")
        return transfer(
            table,
            options["result"],
            options["sets"],
            (options["lower"], options["upper"]),
            (options["most"], options["again"]),
            options["coverage"],
            options["unit"],
            options,
        )
    names = ("method", "scale", "coverage", "side", "confidence", "shift", "draws", "seed", "unit")
    chosen = Chosen(**{name: options[name] for name in names})
    if design == "partition":
        critical = (options["critical_z"], options["critical_ratio"])
        return partition(table, options["result"], options["group"], chosen, options["exclude"], critical, options)
    return establish(table, options["result"], chosen, options["exclude"], options["allowed_ratio"], options)


PROTOCOL = Protocol(
    "reference-limits",
    QUESTION,
    "One row per reference individual: own limits, limits by group, or limits from elsewhere put to the test.",
    (
        Option("result", "column", "Column with the results.", required=True),
        Option(
            "design",
            "choice",
            "Own limits, separate limits for groups, or limits from elsewhere.",
            default="establish",
            choices=("establish", "partition", "transfer"),
        ),
        Option("unit", "text", "Unit of the results, as it should be printed.", default=""),
        Option("coverage", "number", "Share of the reference population inside.", default=0.95),
        Option(
            "method",
            "choice",
            "How limits are found.",
            default="non-parametric",
            choices=("non-parametric", "robust", "normal", "box-cox", "bootstrap"),
            designs=OWN_LIMITS,
        ),
        Option(
            "scale",
            "choice",
            "Scale of the methods robust and normal, and of the comparison of groups.",
            default="linear",
            choices=("linear", "log"),
            designs=OWN_LIMITS,
        ),
        Option(
            "side",
            "choice",
            "Both limits or a single one.",
            default="two",
            choices=("two", "lower", "upper"),
            designs=OWN_LIMITS,
        ),
        Option("confidence", "number", "Probability of the intervals of the limits.", default=0.90, designs=OWN_LIMITS),
        Option(
            "exclude",
            "choice",
            "Leave out values this rule flags; all rules are reported either way.",
            default="none",
            choices=("none", "dixon-reed", "tukey", "horn"),
            designs=OWN_LIMITS,
        ),
        Option(
            "shift",
            "number",
            "Added before a Box-Cox transformation, in the unit of the results.",
            default=0.0,
            designs=OWN_LIMITS,
        ),
        Option("draws", "count", "Bootstrap samples.", default=2000, designs=OWN_LIMITS, most=1_000_000),
        Option("seed", "count", "Of the random draws.", default=0, designs=OWN_LIMITS),
        Option(
            "allowed-ratio",
            "number",
            "Largest width of a limit's interval over the width of the reference interval.",
            designs=("establish",),
        ),
        Option("group", "column", "Column with the groups.", required=True, designs=("partition",)),
        Option(
            "critical-z",
            "number",
            "z at 120 people per group from which groups need separate limits.",
            default=3.0,
            designs=("partition",),
        ),
        Option(
            "critical-ratio",
            "number",
            "Ratio of the standard deviations from which groups need separate limits.",
            default=1.5,
            designs=("partition",),
        ),
        Option("lower", "number", "Lower limit to be taken over, in the unit of the results.", designs=("transfer",)),
        Option("upper", "number", "Upper limit to be taken over, in the unit of the results.", designs=("transfer",)),
        Option(
            "sets",
            "column",
            "Column that tells a first from a second set; the one that comes first in the table is the first.",
            designs=("transfer",),
        ),
        Option("most", "count", "Most values outside with which a set is accepted.", default=2, designs=("transfer",)),
        Option(
            "again",
            "count",
            "Most values outside the first set with which a second one may be tried.",
            default=4,
            designs=("transfer",),
        ),
    ),
    _run,
)
