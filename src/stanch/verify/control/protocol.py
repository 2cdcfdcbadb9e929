"""The control protocol: from a table, or from a quality requirement, to an account."""

from __future__ import annotations

from typing import Any

from stanch.errors import UsageError
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

QUESTION = "Does the assay stay as it was, and do the control rules find an error that matters?"
STANDARD = (
    "one beyond 3 SD",
    "two in a row beyond 2 SD same side",
    "two of a run beyond 2 SD on opposite sides",
    "four in a row beyond 1 SD same side",
    "ten on one side",
)
ONE, GROUPS, PAIRS, PLAN = "single", "subgroups", "duplicates", "rule-choice"
CHARTED = (ONE, GROUPS, PAIRS)


def _run(table: Table | None, **settings: Any) -> Account:
    # Inside functions, so that naming the protocol stays light.
    from stanch.verify.control._groups import in_groups
    from stanch.verify.control._pairs import in_pairs
    from stanch.verify.control._planning import planned
    from stanch.verify.control._single import single

    if settings["design"] == PLAN:
        return planned(QUESTION, {**settings, "standard_rules": STANDARD})
    if table is None:
        raise UsageError(
            "table", got="none", allowed="a table of control results", do="Or choose --design rule-choice."
        )
    if settings["design"] in (ONE, GROUPS) and not settings["result"]:
        raise UsageError("option --result", got="nothing", allowed="the column of control results", do="Give it.")
    run = {ONE: single, GROUPS: in_groups, PAIRS: in_pairs}[settings["design"]]
    return run(table, QUESTION, settings)


PROTOCOL = Protocol(
    "control",
    QUESTION,
    "Control results in time order, one per row (or duplicates of fresh samples); rule-choice needs no table.",
    (
        Option(
            "design",
            "choice",
            "Results one at a time (any number of levels), subgroup means, duplicates of fresh samples, or the choice "
            "of rules for a stated quality requirement.",
            default=ONE,
            choices=(ONE, GROUPS, PAIRS, PLAN),
        ),
        Option("result", "column", "Column with the control results, in time order.", designs=(ONE, GROUPS)),
        Option("level", "column", "Column naming the control level or material, a phantom too.", designs=(ONE,)),
        Option("run", "column", "Column naming the run; each row its own run without it.", designs=(ONE, GROUPS)),
        Option("first", "column", "Column with the first result of each fresh sample.", designs=(PAIRS,)),
        Option("second", "column", "Column with the second result.", designs=(PAIRS,)),
        Option("scale", "choice", "Scale of duplicates.", default="log", choices=("log", "linear"), designs=(PAIRS,)),
        Option("phase", "column", "Column telling baseline rows from later ones.", designs=CHARTED),
        Option("baseline-phase", "text", "What baseline rows have in it.", default="baseline", designs=CHARTED),
        Option(
            "baseline",
            "count",
            "Number of first results (of each level), subgroups or pairs that are the baseline; all without it.",
            designs=CHARTED,
        ),
        Option("mean", "numbers", "Known centre line of each level, in the order of the table.", designs=(ONE, GROUPS)),
        Option("sd", "numbers", "Known standard deviation of each level, or of one measurement.", designs=CHARTED),
        Option(
            "sigma",
            "choice",
            "How the baseline gives the standard deviation.",
            default="moving-range",
            choices=("moving-range", "sd", "pooled-runs"),
            designs=(ONE,),
        ),
        Option(
            "spread", "choice", "Spread inside subgroups.", default="range", choices=("range", "sd"), designs=(GROUPS,)
        ),
        Option(
            "d2-rounded",
            "flag",
            "Use d2 to three decimals (1.128), as printed tables do.",
            default=False,
            designs=(ONE, GROUPS),
        ),
        Option("width", "number", "Distance of the limits in standard deviations.", default=3.0, designs=CHARTED),
        Option(
            "target",
            "numbers",
            "Value the control should have, one for each level; the centre line without it.",
            designs=CHARTED,
        ),
        Option(
            "allowed-shift",
            "numbers",
            "Largest shift of the mean allowed [unit of the results], for all levels or each.",
            designs=(ONE, GROUPS),
        ),
        Option(
            "allowed-sd",
            "numbers",
            "Largest standard deviation allowed, for all levels or each; of logarithms with scale log.",
            designs=(ONE, PAIRS),
        ),
        Option("ewma-weight", "number", "Weight of the newest result in the EWMA.", default=0.2, designs=(ONE,)),
        Option(
            "ewma-width", "number", "Distance of its limits in its standard deviations.", default=3.0, designs=(ONE,)
        ),
        Option(
            "ewma-limits",
            "choice",
            "Exact limits that widen from the start, or the asymptotic ones throughout.",
            default="varying",
            choices=("varying", "asymptotic"),
            designs=(ONE,),
        ),
        Option(
            "ewma-start",
            "numbers",
            "EWMA before the first result of each level; the centre line without it.",
            designs=(ONE,),
        ),
        Option("cusum-k", "number", "Allowance of the CUSUM in standard deviations.", default=0.5, designs=(ONE,)),
        Option("cusum-h", "number", "Decision limit of the CUSUM in standard deviations.", default=5.0, designs=(ONE,)),
        Option("cusum-headstart", "number", "Start of both sums in standard deviations.", default=0.0, designs=(ONE,)),
        Option(
            "rules", "texts", "Rules in words, such as 'two of three beyond 2 SD same side by level'.", default=STANDARD
        ),
        Option("unit", "text", "Unit of the results, as it should be printed.", default="", designs=CHARTED),
        Option("seed", "count", "Of the simulation where a rule has no exact rates.", default=0, designs=CHARTED),
        Option(
            "allowed-error",
            "number",
            "Allowed total error of one result, in % or in the unit of bias and CV.",
            designs=(PLAN,),
        ),
        Option("bias", "number", "Bias there is, same unit.", default=0.0, designs=(PLAN,)),
        Option("cv", "number", "Coefficient of variation, or standard deviation, same unit.", designs=(PLAN,)),
        Option(
            "exceed",
            "number",
            "Share of results beyond the allowed error that makes an error critical.",
            default=0.05,
            designs=(PLAN,),
        ),
        Option("least-detection", "number", "Least detection of the critical shift.", default=0.90, designs=(PLAN,)),
        Option("allowed-false-rejection", "number", "Largest false rejection per run.", default=0.05, designs=(PLAN,)),
        Option(
            "per-run", "numbers", "Results per run to be considered.", default=(1.0, 2.0, 3.0, 4.0), designs=(PLAN,)
        ),
    ),
    _run,
    needs_table=False,
)
