"""The account of the capacity of a neutraliser."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import InputError
from stanch.verify.equivalence import EQUIVALENCE
from stanch.verify.reagents._common import account_of
from stanch.verify.reagents.capacity import CapacityDose, neutraliser_capacity
from stanch.verify.reagents.pictures import capacity_picture
from stanch.verify.records import Account, Bounded, Cell, Column, Definition, Grid, Outcome, Verdict
from stanch.verify.table import Table, take


def neutraliser(table: Table, s: dict[str, Any]) -> Account:
    """Up to which dose a neutraliser takes the effect away."""
    treatment = "A dose with any result known only as a bound is not shown to be taken away."
    taken = take(table, numbers=(s["dose"], s["result"]), labels=(s["sample"],), censored="keep", treatment=treatment)
    dose = taken.numbers[s["dose"]]
    if (taken.below[s["dose"]] | taken.above[s["dose"]]).any():
        raise InputError(f"column {s['dose']}", got="a dose known only as a bound", allowed="numbers")
    found = neutraliser_capacity(
        dose,
        taken.numbers[s["result"]],
        taken.labels[s["sample"]],
        margin=s["allowed"],
        reference=s["reference"],
        below=taken.below[s["result"]],
        above=taken.above[s["result"]],
        alpha=s["alpha"],
    )
    unit = s["dose_unit"]
    wanted = s["wanted"]
    outcome: Outcome = "no limit stated"
    if wanted is not None and s["allowed"] is not None:
        outcome = "met" if found.capacity is not None and found.capacity >= wanted else _short(found.doses, wanted)
    if found.capacity is None:
        why = "Not shown even at the lowest dose." if s["allowed"] is not None else "No allowed ratio was stated."
        value = Bounded.missing(why, unit)
    else:
        value = Bounded(found.capacity, found.capacity, None, unit, 1 - s["alpha"], "One-sided: at least this much.")
    rows: list[tuple[Cell, ...]] = [
        (
            one.dose,
            one.donors,
            one.bounded,
            None if one.ratio is None else one.ratio.difference,
            None if one.ratio is None else one.ratio.p,
            "yes" if one.equivalent else "no",
        )
        for one in found.doses
    ]
    columns = ("dose", "pairs", "bounds among them", "ratio", "p", "taken away")
    allowed = "" if wanted is None else f"at least {wanted:g} {unit}".strip()
    return account_of(
        s,
        "Capacity of the neutraliser",
        taken,
        design=(
            f"Spiked series of {np.unique(taken.labels[s['sample']]).size} donors at {len(found.doses)} doses, all "
            "read in the well with neutraliser, against the same donors unspiked.",
            f"Paired ratios, two one-sided tests at alpha = {s['alpha']:g} each, from the lowest dose up until one "
            "fails (fixed sequence): the chance of claiming a dose wrongly stays at most alpha.",
        ),
        verdicts=(
            Verdict(
                "The neutraliser takes away a dose that is high enough",
                value,
                allowed,
                outcome,
                "Met when the capacity, the highest dose such that it and all lower ones have a ratio equivalent to "
                "1, is at least the wanted dose.",
            ),
        ),
        grids=(
            Grid(
                "Ratio to the unspiked sample",
                tuple(Column(c, unit if c == "dose" else "") for c in columns),
                tuple(rows),
            ),
        ),
        pictures=(capacity_picture(found, unit),),
        definitions=(
            EQUIVALENCE,
            Definition(
                "capacity",
                "Highest dose that is taken away together with all lower ones; doses between were not tested.",
                "Fixed-sequence testing: Maurer W, Hothorn LA, Lehmacher W (1995), from memory",
            ),
        ),
        numbers={
            "capacity": value,
            "stopped_at": found.stopped_at,
            "doses": [one.dose for one in found.doses],
            "ratios": [None if one.ratio is None else one.ratio.difference for one in found.doses],
            "equivalent": [one.equivalent for one in found.doses],
        },
        warnings=() if s["allowed"] is not None else ("No allowed ratio was stated, so no capacity is claimed.",),
    )


def _short(doses: tuple[CapacityDose, ...], wanted: float) -> Outcome:
    """Not met where a dose up to the wanted one is plainly not taken away, else undecided."""
    plain = [d for d in doses if d.dose <= wanted and d.ratio is not None and d.ratio.outcome == "not met"]
    return "not met" if plain else "undecided"
