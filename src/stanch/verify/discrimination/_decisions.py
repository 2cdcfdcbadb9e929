"""Decisions that were made already, against the reference classification and each other; the account."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from stanch.errors import InputError
from stanch.verify.discrimination._common import (
    Chosen,
    accuracy_grids,
    at_least,
    counted,
    predictive,
    truth,
    without_others,
)
from stanch.verify.discrimination._grids import pair_grid
from stanch.verify.discrimination.accuracy import Accuracy
from stanch.verify.discrimination.decisions import paired_decisions
from stanch.verify.discrimination.pictures import predictive_picture
from stanch.verify.discrimination.words import DECISION, NOT_A_PROBABILITY, PAIRED_DECISIONS, PREVALENCE
from stanch.verify.records import Account, Level, Picture, Rows
from stanch.verify.table import Table, take

QUESTION = "How often are decisions right in both groups of people, and do two kinds of decision differ?"


def decisions(
    table: Table,
    names: tuple[str, ...],
    said: str,
    who: tuple[str, str, str | None],
    chosen: Chosen,
    settings: dict[str, Any],
) -> Account:
    """The account of one or several decisions about the same people."""
    taken = take(table, labels=(*names, who[0]))
    positive, rows = truth(taken, *who)
    decided = {}
    for name in names:
        cells = taken.labels[name][rows]
        found = sorted(set(cells.tolist()))
        if len(found) > 2:
            raise InputError(f"column {name}", got=f"{len(found)} names", allowed="two: a decision and its opposite")
        if said not in found and len(found) == 2:
            raise InputError(f"column {name}", got=", ".join(found), allowed=f"{said} and one other name")
        flags = cells == said
        decided[name] = flags[positive[rows]], flags[~positive[rows]]
    correct = {name: counted(flags, chosen) for name, flags in decided.items()}
    sample = float(positive[rows].mean())
    shown, predicted = predictive(correct, chosen, sample)
    pairs = {}
    for a, b in combinations(names, 2):
        for k, group in enumerate(("positive group", "negative group")):
            pairs[f"{a} / {b}, {group}"] = paired_decisions(decided[a][k], decided[b][k], level=chosen.confidence)
    verdicts = []
    for name, one in correct.items():
        for what, value, least in (
            ("sensitivity", one.sensitivity, chosen.least_sensitivity),
            ("specificity", one.specificity, chosen.least_specificity),
        ):
            verdicts.append(at_least(f"{name} is good enough in {what}", value, least, what))
    kind = "exact binomial" if chosen.share_interval == "exact" else "score"
    return Account(
        protocol="discrimination",
        title="Decisions against a reference classification",
        question=QUESTION,
        design=(
            f"{int(positive[rows].sum())} people classified {who[1]} by {who[0]} (positive), "
            f"{int((~positive[rows]).sum())} not (negative).",
            f"A decision is positive where the column says {said}; {kind} intervals of {100 * chosen.confidence:g} %.",
        ),
        data=without_others(taken, rows, who[0]),
        verdicts=tuple(verdicts),
        grids=(*accuracy_grids(correct, f"Intervals: {kind}."), shown, *pair_grid(pairs)),
        pictures=(
            _picture(correct, chosen.least_sensitivity, chosen.least_specificity),
            predictive_picture(correct, chosen.prevalence, sample),
        ),
        definitions=(*DECISION, *((PAIRED_DECISIONS,) if pairs else ())),
        settings=settings,
        numbers={
            "positives": int(positive[rows].sum()),
            "negatives": int((~positive[rows]).sum()),
            "prevalence_of_this_table": sample,
            "accuracy": correct,
            "predictive_values": predicted,
            "paired_decisions": pairs,
        },
        warnings=(NOT_A_PROBABILITY, PREVALENCE),
    )


def _picture(correct: dict[str, Accuracy], sensitivity: float | None, specificity: float | None) -> Picture:
    rows = [
        (f"{name}, {what}", getattr(one, what))
        for name, one in correct.items()
        for what in ("sensitivity", "specificity")
    ]

    def percent(number: float | None) -> float | None:
        return None if number is None else 100 * number

    return Picture(
        "Sensitivity and specificity",
        "share of the group decided rightly [%]",
        "",
        (
            Rows(
                tuple(name for name, _ in rows),
                tuple(percent(b.value) for _, b in rows),
                tuple(percent(b.low) for _, b in rows),
                tuple(percent(b.high) for _, b in rows),
            ),
            *(
                Level(100 * least, f"least {what}", axis="x")
                for what, least in (("sensitivity", sensitivity), ("specificity", specificity))
                if least is not None
            ),
        ),
        caption="Each row is a share with its interval.",
        alt="; ".join(f"{name} {b.value:.3f}" for name, b in rows) + ".",
    )
