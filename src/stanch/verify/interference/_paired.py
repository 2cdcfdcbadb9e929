"""The account of test against control, by pools."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.verify.equivalence import EQUIVALENCE
from stanch.verify.groups import named_groups
from stanch.verify.interference._common import REFUSED, account_of, limit_warning
from stanch.verify.interference.paired import paired_interference
from stanch.verify.interference.pictures import paired_picture
from stanch.verify.records import Account, Cell, Column, Grid, Verdict
from stanch.verify.scales import allowed_text
from stanch.verify.table import Table, take
from stanch.verify.words import counted


def paired(table: Table, s: dict[str, Any]) -> Account:
    """What the interfering matter does, pool by pool."""
    pool = s["pool"]
    names = (pool,) if pool else ()
    taken = take(table, numbers=(s["control"], s["test"]), labels=names, treatment=REFUSED)
    control, test = taken.numbers[s["control"]], taken.numbers[s["test"]]
    pools, place = named_groups(taken, pool)
    order = np.argsort(place, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(place, minlength=pools.size))[:-1])
    found = [
        paired_interference(
            control[k],
            test[k],
            allowed=s["allowed"],
            scale=s["scale"],
            pairing=s["pairing"],
            alpha=s["alpha"],
            unit=s["unit"],
        )
        for k in parts
    ]
    what = "ratio test over control" if s["scale"] == "ratio" else "difference test minus control"
    limit = allowed_text(s["allowed"], s["scale"], s["unit"], what)
    verdicts = tuple(
        Verdict(
            f"The effect of {s['factor']} is small enough" + (f" in pool {name}" if pool else ""),
            one.effect,
            limit,
            one.equivalence.outcome,
            f"Met when the whole {100 * one.effect.level:g} % interval lies inside the limits.",
        )
        for name, one in zip(pools, found)
    )
    rows: list[tuple[Cell, ...]] = [
        (str(name), one.n, one.effect, one.wide, one.equivalence.p) for name, one in zip(pools, found)
    ]
    columns = ("pool", "number", "effect that decides", "effect", "p")
    return account_of(
        s,
        f"Interference by {s['factor']}: test against control",
        taken,
        design=(
            f"{control.size} results with and {control.size} without {s['factor']}, in {counted(pools.size, 'pool')}.",
            "Results in one row belong to one sample."
            if s["pairing"] == "pairs"
            else "Both columns are replicates of two pools; rows are not pairs (Welch).",
            "Two one-sided tests in each pool; a claim for all pools needs every one of them met.",
        ),
        verdicts=verdicts,
        grids=(Grid(what.capitalize(), tuple(Column(c) for c in columns), tuple(rows)),),
        pictures=(paired_picture(control, test, found, pools.tolist(), s),),
        definitions=(EQUIVALENCE,),
        numbers={
            "pools": [str(name) for name in pools],
            "effect": [one.effect for one in found],
            "effect_95": [one.wide for one in found],
            "p_equivalence": [one.equivalence.p for one in found],
            "n": [one.n for one in found],
        },
        warnings=limit_warning(s),
    )
