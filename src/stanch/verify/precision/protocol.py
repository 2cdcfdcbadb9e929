"""The precision protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

QUESTION = "How far do repeated results scatter, and what do day, run, well and operator add?"
NESTED, CROSSED, LEVELS, CLAIM, FRESH, CONTRAST = "nested", "crossed", "levels", "claim", "fresh", "contrast"
MODELS = (NESTED, CROSSED, LEVELS, FRESH, CONTRAST)


def _run(table: Table, **settings: Any) -> Account:
    # Inside the function, so that naming the protocol stays light.
    from stanch.verify.precision import _claim, _contrast, _fresh, _levels, _models

    run = {
        NESTED: _models.nested,
        CROSSED: _models.crossed,
        LEVELS: _levels.levels,
        CLAIM: _claim.claim,
        FRESH: _fresh.fresh,
        CONTRAST: _contrast.contrast,
    }[settings["design"]]
    return run(table, QUESTION, settings)


PROTOCOL = Protocol(
    "precision",
    QUESTION,
    "One result per row with the columns that say on which day, run, well, by which operator it was obtained.",
    (
        Option(
            "design",
            "choice",
            "Groups within groups; two crossed factors; standard deviation against level; a claim checked with few "
            "results; fresh samples in duplicate; or a contrast of two wells from duplicate pairs.",
            default=NESTED,
            choices=(NESTED, CROSSED, LEVELS, CLAIM, FRESH, CONTRAST),
        ),
        Option("result", "column", "Column with the results.", required=True),
        Option(
            "factors",
            "columns",
            "Columns that group the results, outermost first, such as day,run; replicates need none.",
            default=(),
        ),
        Option(
            "laboratory",
            "column",
            "Column naming the laboratory or site, around all factors: with it reproducibility is given.",
            designs=(NESTED, CROSSED, LEVELS),
        ),
        Option(
            "sample",
            "column",
            "Column naming the sample or donor; its variation is not imprecision.",
            designs=(NESTED, CROSSED, FRESH, CONTRAST),
        ),
        Option(
            "level",
            "column",
            "Column naming the level or material; each is worked out apart.",
            designs=(NESTED, CROSSED, LEVELS, CLAIM, FRESH),
        ),
        Option(
            "bands",
            "count",
            "Number of bands into which donors are sorted by their mean where there is no level column.",
            default=1,
            designs=(FRESH,),
        ),
        Option("well", "column", "Column naming the well.", designs=(CONTRAST,)),
        Option("base", "text", "Name of the base well.", designs=(CONTRAST,)),
        Option("other", "text", "Name of the other well.", designs=(CONTRAST,)),
        Option("pair", "column", "Column numbering the pairs of wells of a sample.", designs=(CONTRAST,)),
        Option(
            "contrast",
            "choice",
            "base - other; base/other; (base - other)/base; or the logarithm of other/base against the same earlier.",
            default="difference",
            choices=("difference", "ratio", "share", "log-retention"),
            designs=(CONTRAST,),
        ),
        Option(
            "early",
            "column",
            "Column with the results at the earlier clot age, for log-retention.",
            designs=(CONTRAST,),
        ),
        Option(
            "which",
            "choice",
            "Which standard deviation is followed along the level.",
            default="repeatability",
            choices=("repeatability", "intermediate", "reproducibility"),
            designs=(LEVELS,),
        ),
        Option(
            "form",
            "choice",
            "How the standard deviation depends on the level x: a; b x; sqrt(a^2 + (b x)^2); or c x^p.",
            default="auto",
            choices=("auto", "constant", "proportional", "both", "power"),
            designs=(LEVELS,),
        ),
        Option(
            "claimed-repeatability",
            "numbers",
            "Claimed repeatability, one number or one per level: by size, or as the table names them first.",
            default=(),
            designs=(CLAIM,),
        ),
        Option(
            "claimed-intermediate",
            "numbers",
            "Claimed intermediate precision, likewise.",
            default=(),
            designs=(CLAIM,),
        ),
        Option(
            "claimed-as",
            "choice",
            "Whether claims are standard deviations in the unit of the results or coefficients of variation in %.",
            default="sd",
            choices=("sd", "cv"),
            designs=(CLAIM,),
        ),
        Option(
            "alpha",
            "number",
            "Probability that any level fails although every claim is true.",
            default=0.05,
            designs=(CLAIM,),
        ),
        Option(
            "adjust",
            "choice",
            "How that probability is shared among the levels.",
            default="bonferroni",
            choices=("bonferroni", "sidak"),
            designs=(CLAIM,),
        ),
        Option(
            "interval",
            "choice",
            "Interval of a standard deviation: Satterthwaite's, or modified large-sample limits.",
            default="satterthwaite",
            choices=("satterthwaite", "large-sample"),
            designs=MODELS,
        ),
        Option("wald", "flag", "Give Wald intervals of the components, which may reach below zero.", default=False),
        Option("without-reml", "flag", "Leave residual maximum likelihood out.", default=False, designs=MODELS),
        Option(
            "censored",
            "choice",
            "Refuse results known only as a bound, or leave them out and count them.",
            default="refuse",
            choices=("refuse", "leave-out"),
        ),
        Option("confidence", "number", "Probability of the intervals.", default=0.95),
        Option("unit", "text", "Unit of the results, as it should be printed.", default=""),
        Option(
            "allowed-repeatability-sd",
            "number",
            "Largest repeatability SD allowed, in the unit of the results.",
            designs=(NESTED, CROSSED, LEVELS, CONTRAST),
        ),
        Option("allowed-repeatability-cv", "number", "Largest repeatability CV allowed, in %.", designs=MODELS),
        Option(
            "allowed-intermediate-sd",
            "number",
            "Largest intermediate SD allowed, in the unit of the results.",
            designs=(NESTED, CROSSED, LEVELS, CONTRAST),
        ),
        Option("allowed-intermediate-cv", "number", "Largest intermediate CV allowed, in %.", designs=MODELS),
        Option(
            "allowed-reproducibility-sd",
            "number",
            "Largest reproducibility SD allowed, in the unit of the results.",
            designs=(NESTED, CROSSED, LEVELS),
        ),
        Option(
            "allowed-reproducibility-cv",
            "number",
            "Largest reproducibility CV allowed, in %.",
            designs=(NESTED, CROSSED, LEVELS),
        ),
    ),
    _run,
)
