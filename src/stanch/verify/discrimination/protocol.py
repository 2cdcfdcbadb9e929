"""The discrimination protocol: from a table to an account."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from stanch.errors import UsageError
from stanch.verify.discrimination._common import Chosen
from stanch.verify.discrimination._decisions import decisions
from stanch.verify.discrimination._readings import QUESTION, readings
from stanch.verify.discrimination._separate import separate
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

BY_READING = ("paired", "unpaired")


def _run(table: Table, **options: Any) -> Account:
    several = ("opposite", "cutoff", "prevalence")
    named = {one.name: options[one.name] for one in fields(Chosen)}
    chosen = Chosen(**{**named, **{key: _all(options[key]) for key in several}})
    who = options["truth"], options["positive"], options["negative"]
    if not 0 < chosen.confidence < 1:
        raise UsageError("option --confidence", got=chosen.confidence, allowed="above 0 and below 1")
    if any(not 1e-9 <= p <= 1 - 1e-9 for p in chosen.prevalence):
        raise UsageError("option --prevalence", got=options["prevalence"], allowed="1e-9 to 1 - 1e-9")
    names = tuple(dict.fromkeys(_all(options["reading"])))
    if options["design"] == "decisions":
        if not options["decision"]:
            raise UsageError("option --decision", got="nothing", allowed="one column or more", do="Give it.")
        decided = tuple(dict.fromkeys(_all(options["decision"])))
        return decisions(table, decided, options["decided"], who, chosen, options)
    if not names:
        raise UsageError("option --reading", got="nothing", allowed="one column or more", do="Give it.")
    if options["design"] == "unpaired":
        if len(names) > 1:
            raise UsageError("option --reading", got=f"{len(names)} columns", allowed="one, with the design unpaired")
        return separate(table, names[0], options["group"], who, chosen, options)
    units = _all(options["unit"]) or ("",)
    if len(units) not in (1, len(names)):
        raise UsageError("option --unit", got=f"{len(units)} units", allowed=f"one, or {len(names)}, one a reading")
    return readings(table, names, who, chosen, units * (len(names) if len(units) == 1 else 1), options)


def _all(given: Any) -> tuple[Any, ...]:
    if given is None:
        return ()
    return (given,) if isinstance(given, str | float | int) else tuple(given)


PROTOCOL = Protocol(
    "discrimination",
    QUESTION,
    "One row per person: a reference classification, and readings or decisions to be judged by it.",
    (
        Option("truth", "column", "Column with the reference classification.", required=True),
        Option("positive", "text", "Its name for the positive group.", required=True),
        Option("negative", "text", "Its name for the negative group, where there are more than two names."),
        Option(
            "design",
            "choice",
            "Readings of the same people, one reading in separate sets of people, or decisions made already.",
            default="paired",
            choices=("paired", "unpaired", "decisions"),
        ),
        Option("reading", "columns", "Columns with readings; the first is compared with the rest.", designs=BY_READING),
        Option(
            "direction",
            "choice",
            "Which readings mean positive; never chosen by the data.",
            default="higher",
            choices=("higher", "lower"),
            designs=BY_READING,
        ),
        Option("opposite", "columns", "Readings of which the other side means positive.", designs=BY_READING),
        Option("unit", "texts", "Unit of the readings, one for all or one each.", designs=("paired",)),
        Option(
            "censored",
            "choice",
            "What to do where <x or >x leaves the order of readings open.",
            default="refuse",
            choices=("refuse", "common"),
            designs=BY_READING,
        ),
        Option(
            "interval",
            "choice",
            "Interval of the area under the curve.",
            default="logit",
            choices=("logit", "wald", "score"),
            designs=BY_READING,
        ),
        Option("group", "column", "Column with the sets of people.", required=True, designs=("unpaired",)),
        Option("decision", "columns", "Columns with decisions.", designs=("decisions",)),
        Option("decided", "text", "What a positive decision is called.", default="positive", designs=("decisions",)),
        Option(
            "rule",
            "choice",
            "How the cut-off is chosen.",
            default="youden",
            choices=("youden", "sensitivity", "specificity", "given"),
            designs=("paired",),
        ),
        Option("wanted", "number", "Least sensitivity or specificity, for these rules.", designs=("paired",)),
        Option("cutoff", "numbers", "Given cut-offs, one a reading.", designs=("paired",)),
        Option(
            "placed",
            "choice",
            "Where a chosen cut-off lies: midway between readings or at one.",
            default="midpoint",
            choices=("midpoint", "observed"),
            designs=("paired",),
        ),
        Option(
            "share-interval",
            "choice",
            "Interval of sensitivity and specificity.",
            default="exact",
            choices=("exact", "score"),
            designs=("paired", "decisions"),
        ),
        Option(
            "zero-cells",
            "choice",
            "Likelihood ratios where a cell is zero: none, or one half added to every cell.",
            default="unavailable",
            choices=("unavailable", "half"),
            designs=("paired", "decisions"),
        ),
        Option(
            "prevalence",
            "numbers",
            "Prevalences to state predictive values for, as shares.",
            designs=("paired", "decisions"),
        ),
        Option("least-area", "number", "Smallest area under the curve allowed.", designs=BY_READING),
        Option("least-sensitivity", "number", "Smallest sensitivity allowed.", designs=("paired", "decisions")),
        Option("least-specificity", "number", "Smallest specificity allowed.", designs=("paired", "decisions")),
        Option("confidence", "number", "Probability of the intervals.", default=0.95),
        Option(
            "draws",
            "count",
            "Bootstrap samples for the cut-off; 0 for none.",
            default=2000,
            designs=("paired",),
            most=1_000_000,
        ),
        Option("seed", "count", "Of the random draws.", default=0, designs=("paired",)),
    ),
    _run,
)
