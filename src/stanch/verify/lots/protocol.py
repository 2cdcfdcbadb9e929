"""The lots protocol: from a table to an account."""

from __future__ import annotations

import numpy as np

from stanch.verify.lots.pairs import lot_change
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, Bounded, Column, Definition, Grid, Level, Picture, Points, Verdict
from stanch.verify.table import Table, take

__all__ = ["PROTOCOL"]

QUESTION = "Does a new reagent lot read like the old one?"


def _run(table: Table, *, old: str, new: str, allowed: float | None, alpha: float, unit: str) -> Account:
    taken = take(table, numbers=(old, new), treatment="A mean difference needs numbers: censored results are refused.")
    x, y = taken.numbers[old], taken.numbers[new]
    found = lot_change(x, y, allowed=allowed, alpha=alpha, unit=unit)
    mean = found.equivalence.difference
    edge = "" if allowed is None else f"mean difference within ±{allowed:g} {unit}".strip()
    rule = f"Met when the whole {mean.level:.0%} interval of the mean difference lies inside the limits."
    verdict = Verdict("The new lot reads like the old one", mean, edge, found.equivalence.outcome, rule)
    middle = (x + y) / 2
    levels = [Level(0.0, "no difference", kind="zero")]
    if allowed is not None:
        levels += [Level(-allowed, "allowed"), Level(allowed, "allowed")]
    picture = Picture(
        "New minus old lot",
        f"mean of both lots [{unit or '-'}]",
        f"new − old [{unit or '-'}]",
        (Points(tuple(middle.tolist()), tuple((y - x).tolist()), "samples"), *levels),
        caption="Each mark is one sample. A trend along the line means that the lots differ by level.",
        alt=f"{found.n} samples; mean difference {mean.value:.4g} {unit}.",
    )
    rows = (
        ("mean difference, new − old", found.difference),
        ("standard deviation of the differences", Bounded(found.sd, unit=unit)),
    )
    return Account(
        protocol="lots",
        title="Change of reagent lot",
        question=QUESTION,
        design=(f"{found.n} samples, each measured with both lots.", "Paired equivalence by two one-sided t tests."),
        data=taken.data,
        verdicts=(verdict,),
        grids=(Grid("Lot change", (Column("quantity"), Column("value", unit)), rows),),
        pictures=(picture,),
        definitions=(
            Definition(
                "equivalence",
                "Both one-sided t tests at alpha reject; the same as the 1 − 2 alpha interval inside the limits.",
                "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory",
            ),
        ),
        settings={"old": old, "new": new, "allowed": allowed, "alpha": alpha, "unit": unit},
        numbers={
            "n": found.n,
            "difference": found.difference,
            "deciding_difference": mean,
            "sd": found.sd,
            "se": found.equivalence.se,
            "df": found.equivalence.df,
            "t": found.t,
            "p": found.p,
            "p_equivalence": found.equivalence.p,
            "largest_difference": float(np.abs(y - x).max()),
        },
    )


PROTOCOL = Protocol(
    "lots",
    QUESTION,
    "Paired results of both lots, one sample per row.",
    (
        Option("old", "column", "Column with the results of the old lot.", required=True),
        Option("new", "column", "Column with the results of the new lot.", required=True),
        Option("allowed", "number", "Largest mean difference allowed, in the unit of the results."),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05),
        Option("unit", "text", "Unit of the results, as it should be printed.", default=""),
    ),
    _run,
)
