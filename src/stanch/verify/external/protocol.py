"""The external protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

QUESTION = "Does the laboratory read like others, and its instruments like each other?"
ROUND, MACHINES = "round", "instruments"


def _run(table: Table, **settings: Any) -> Account:
    # Inside the function, so that naming the protocol stays light.
    from stanch.verify.external._compare import compared
    from stanch.verify.external._round import scored

    return (scored if settings["design"] == ROUND else compared)(table, QUESTION, settings)


_OPTIONS = (
    Option(
        "design",
        "choice",
        "Scores of an outside round, or instruments (laboratories) against each other on the same samples.",
        default=ROUND,
        choices=(ROUND, MACHINES),
    ),
    Option("participant", "column", "Column naming the participant or the instrument.", required=True),
    Option("result", "column", "Column with the results.", required=True),
    Option("sample", "column", "Column naming the sample."),
    Option("round", "column", "Column naming the round.", designs=(ROUND,)),
    Option("own", "text", "Name of the own laboratory, for its verdict and history.", designs=(ROUND,)),
    Option(
        "score",
        "choice",
        "Score that is judged.",
        default="z",
        choices=("z", "z-prime", "zeta", "en"),
        designs=(ROUND,),
    ),
    Option("uncertainty", "column", "Column with the standard uncertainty of each result.", designs=(ROUND,)),
    Option("expanded", "column", "Column with the expanded uncertainty of each result.", designs=(ROUND,)),
    Option("coverage-factor", "number", "Of the expanded uncertainties.", default=2.0, designs=(ROUND,)),
    Option("assigned", "column", "Column with the assigned value, one for each round and sample.", designs=(ROUND,)),
    Option("assigned-uncertainty", "column", "Column with its standard uncertainty.", designs=(ROUND,)),
    Option("assigned-value", "number", "Assigned value, where there is one for all.", designs=(ROUND,)),
    Option("assigned-value-uncertainty", "number", "Its standard uncertainty.", designs=(ROUND,)),
    Option(
        "consensus",
        "choice",
        "Consensus of a round without an assigned value.",
        default="algorithm-a",
        choices=("algorithm-a", "median", "mean"),
        designs=(ROUND,),
    ),
    Option(
        "exact-constants",
        "flag",
        "Exact normal constants in the consensus instead of the printed 1.483 and 1.134.",
        default=False,
        designs=(ROUND,),
    ),
    Option("sigma", "number", "Standard deviation for assessment, in the unit of the results.", designs=(ROUND,)),
    Option("sigma-percent", "number", "The same in % of the assigned value.", designs=(ROUND,)),
    Option("warn", "number", "Score beyond which there is a warning.", default=2.0, designs=(ROUND,)),
    Option("act", "number", "Score from which there is action.", default=3.0, designs=(ROUND,)),
    Option(
        "scale",
        "choice",
        "Differences or ratios of instruments.",
        default="difference",
        choices=("difference", "ratio"),
        designs=(MACHINES,),
    ),
    Option(
        "allowed",
        "number",
        "Largest mean difference allowed between instruments, in the unit of the results, or ratio above 1.",
        designs=(MACHINES,),
    ),
    Option("alpha", "number", "Error of each one-sided test.", default=0.05, designs=(MACHINES,)),
    Option(
        "censored",
        "choice",
        "Results with < or >: refuse the table, or leave them out and count them.",
        default="refuse",
        choices=("refuse", "leave-out"),
    ),
    Option("unit", "text", "Unit of the results, as it should be printed.", default=""),
)

PROTOCOL = Protocol(
    "external",
    QUESTION,
    "Results of participants (or instruments), one per row, by sample and round.",
    _OPTIONS,
    _run,
)
