"""The account of additives in samples that do not need them."""

from __future__ import annotations

from typing import Any

from stanch.verify.equivalence import EQUIVALENCE
from stanch.verify.groups import named_groups
from stanch.verify.reagents._common import account_of
from stanch.verify.reagents.additive import null_effect
from stanch.verify.reagents.pictures import effect_picture
from stanch.verify.records import Account, Cell, Column, Grid, Verdict
from stanch.verify.table import Table, take
from stanch.verify.words import counted


def null(table: Table, s: dict[str, Any]) -> Account:
    """Whether additives do nothing where they are not needed."""
    names = (s["additive"],) if s["additive"] else ()
    columns = (s["without"], s["with_additive"])
    taken = take(
        table, numbers=columns, labels=names, treatment="Mean ratios need numbers: bounds are refused, not guessed."
    )
    x, y = (taken.numbers[c] for c in columns)
    parts, place = named_groups(taken, s["additive"], alone="the additive", most=200, noun="additives")
    difference = s["scale"] == "difference"
    found = [
        null_effect(
            x[place == i],
            y[place == i],
            allowed=s["allowed"],
            difference=difference,
            alpha=s["alpha"],
            unit=s["unit"],
        )
        for i in range(parts.size)
    ]
    what = "difference with minus without" if difference else "ratio with over without"
    limit = ""
    if s["allowed"] is not None:
        a = s["allowed"]
        limit = f"within ±{a:g} {s['unit']}".strip() if difference else f"within 1/{a:g} to {a:g}"
    verdicts = tuple(
        Verdict(
            f"The effect of {name} where it is not needed is small enough",
            one.ratio,
            limit,
            one.equivalence.outcome,
            f"Met when the whole {100 * one.ratio.level:g} % interval lies inside the limits.",
        )
        for name, one in zip(parts, found)
    )
    rows: list[tuple[Cell, ...]] = [
        (str(name), one.equivalence.n, one.ratio, one.equivalence.p) for name, one in zip(parts, found)
    ]
    return account_of(
        s,
        "Effect of additives in samples that do not need them",
        taken,
        design=(
            f"{x.size} samples read with and without, {counted(parts.size, 'additive')}, each judged on its own.",
            "Paired equivalence by two one-sided t tests.",
        ),
        verdicts=verdicts,
        grids=(
            Grid(what.capitalize(), (Column("additive"), Column("samples"), Column(what), Column("p")), tuple(rows)),
        ),
        pictures=(effect_picture([str(n) for n in parts], [one.ratio for one in found], s["allowed"], difference),),
        definitions=(EQUIVALENCE,),
        numbers={
            "additives": [str(n) for n in parts],
            "effect": [one.ratio for one in found],
            "p_equivalence": [one.equivalence.p for one in found],
        },
        warnings=() if s["allowed"] is not None else ("No allowed effect was stated, so nothing is claimed.",),
    )
