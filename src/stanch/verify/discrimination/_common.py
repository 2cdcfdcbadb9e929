"""What the designs of the protocol share: who is positive, settings, grids and verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.discrimination.accuracy import (
    Accuracy,
    ShareInterval,
    ZeroCells,
    accuracy_of_counts,
    predictive_values,
)
from stanch.verify.discrimination.area import AreaInterval
from stanch.verify.discrimination.cutoff import CutOff, Placed, Rule
from stanch.verify.discrimination.marks import Bounds, Direction, Marks, marks
from stanch.verify.records import Bounded, Column, DataUsed, Grid, Outcome, Verdict
from stanch.verify.table import Taken, left_out

Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Chosen:
    """Settings in force."""

    direction: Direction
    opposite: tuple[str, ...]
    censored: Bounds
    interval: AreaInterval
    confidence: float
    rule: Rule
    wanted: float | None
    cutoff: tuple[float, ...]
    placed: Placed
    share_interval: ShareInterval
    zero_cells: ZeroCells
    prevalence: tuple[float, ...]
    draws: int
    seed: int
    least_area: float | None
    least_sensitivity: float | None
    least_specificity: float | None

    def toward(self, reading: str) -> Direction:
        if reading not in self.opposite:
            return self.direction
        return "lower" if self.direction == "higher" else "higher"


def truth(taken: Taken, column: str, positive: str, negative: str | None) -> tuple[Flags, Flags]:
    """Who is positive, and which rows belong to either group."""
    cells = taken.labels[column]
    names = sorted(set(cells.tolist()))
    if positive not in names:
        raise InputError(f"column {column}", got=f"no row named {positive}", allowed=", ".join(names[:8]))
    others = [name for name in names if name != positive]
    if negative is None:
        if len(others) != 1:
            raise InputError(
                f"column {column}",
                got=f"{len(others)} names besides {positive}",
                allowed="exactly one",
                do="Say with --negative which of them is the negative group.",
            )
        negative = others[0]
    if negative not in others:
        raise InputError(f"column {column}", got=f"no row named {negative}", allowed=", ".join(others[:8]))
    return cells == positive, (cells == positive) | (cells == negative)


def without_others(taken: Taken, rows: Flags, column: str) -> DataUsed:
    """The account of the data when rows of neither group are left out."""
    return left_out(taken.data, taken.row[~rows], f"neither group in {column}")


def ordered(taken: Taken, readings: Sequence[str], positive: Flags, rows: Flags, chosen: Chosen) -> dict[str, Marks]:
    """Every reading in its order, the same people in the same places."""
    stray = [name for name in chosen.opposite if name not in readings]
    if stray:
        raise UsageError("option --opposite", got=stray[0], allowed=", ".join(readings))
    return {
        name: marks(
            taken.numbers[name][rows],
            positive[rows],
            direction=chosen.toward(name),
            below=taken.below[name][rows],
            above=taken.above[name][rows],
            bounds=chosen.censored,
        )
        for name in readings
    }


def counted(decided: tuple[Flags, Flags], chosen: Chosen) -> Accuracy:
    """Sensitivity and the rest of who was decided positive in both groups."""
    p, n = decided
    tp, fp = int(p.sum()), int(n.sum())
    return accuracy_of_counts(
        tp,
        fp,
        int(p.size) - tp,
        int(n.size) - fp,
        level=chosen.confidence,
        interval=chosen.share_interval,
        zero_cells=chosen.zero_cells,
    )


def at_least(claim: str, value: Bounded, least: float | None, what: str) -> Verdict:
    """A verdict on a share that must not be too small."""
    outcome: Outcome = "undecided"
    if least is None:
        outcome = "no limit stated"
    elif value.low is not None and value.low >= least:
        outcome = "met"
    elif value.high is not None and value.high < least:
        outcome = "not met"
    return Verdict(
        claim,
        value,
        "" if least is None else f"{what} at least {least:g}",
        outcome,
        f"Met when the whole {100 * value.level:g} % interval is at or above the limit, not met when all of it "
        "is below.",
    )


def accuracy_grids(found: Mapping[str, Accuracy], note: str) -> tuple[Grid, Grid]:
    """Counts of decisions, and their shares and likelihood ratios."""
    counts = tuple(
        (name, a.true_positive, a.false_positive, a.false_negative, a.true_negative) for name, a in found.items()
    )
    shares = tuple(
        (name, a.sensitivity, a.specificity, a.positive_ratio, a.negative_ratio) for name, a in found.items()
    )
    return (
        Grid(
            "Counts of decisions",
            (
                Column("decision"),
                Column("true positive"),
                Column("false positive"),
                Column("false negative"),
                Column("true negative"),
            ),
            counts,
        ),
        Grid(
            "Decisions against the reference classification",
            (
                Column("decision"),
                Column("sensitivity", "1"),
                Column("specificity", "1"),
                Column("likelihood ratio, positive", "1"),
                Column("likelihood ratio, negative", "1"),
            ),
            shares,
            note,
        ),
    )


def predictive(
    found: Mapping[str, Accuracy], chosen: Chosen, sample: float
) -> tuple[Grid, dict[str, dict[str, dict[str, Any]]]]:
    """Predictive values at every prevalence in force, the prevalence always beside them."""
    rows: list[tuple[Any, ...]] = []
    numbers: dict[str, dict[str, dict[str, Any]]] = {}
    for name, one in found.items():
        for stated in (None, *chosen.prevalence):
            values = predictive_values(one, stated, level=chosen.confidence)
            shown = sample if stated is None else stated
            where = "of this table" if stated is None else "stated"
            rows.append((name, shown, where, *values))
            key = "of this table" if stated is None else f"{stated:g}"
            numbers.setdefault(name, {})[key] = {"prevalence": shown, "positive": values[0], "negative": values[1]}
    columns = (
        Column("decision"),
        Column("prevalence", "1"),
        Column("which"),
        Column("positive predictive value", "1"),
        Column("negative predictive value", "1"),
    )
    note = (
        "The prevalence of this table means something only if both groups were taken as they come; where their sizes "
        "were chosen, state the prevalence of the place of use."
    )
    return Grid("Predictive values", columns, tuple(rows), note), numbers


def cutoff_words(cut: CutOff) -> str:
    """How a cut-off came about."""
    made = {
        "youden": "greatest sensitivity + specificity",
        "sensitivity": "greatest specificity with the sensitivity asked for",
        "specificity": "greatest sensitivity with the specificity asked for",
        "given": "given",
    }[cut.rule]
    if cut.rule == "given":
        return made
    placed = "midway between neighbouring readings" if cut.placed == "midpoint" else "an observed reading"
    return f"{made}; {placed}"
