"""The account of the block fraction of a platelet blocker."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import InputError
from stanch.verify.equivalence import outcome
from stanch.verify.groups import named_groups
from stanch.verify.reagents._common import account_of
from stanch.verify.reagents.block import BlockFraction, block_fraction
from stanch.verify.reagents.pictures import block_picture
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Verdict
from stanch.verify.table import Table, take
from stanch.verify.words import counted


def block(table: Table, s: dict[str, Any]) -> Account:
    """Which share of the platelet part a blocker takes away."""
    if s["least"] is not None and not 0 < s["least"] <= 1:
        raise InputError("option --least", got=s["least"], allowed="a share above 0 and at most 1, such as 0.9")
    names = (s["lot"],) if s["lot"] else ()
    columns = (s["base"], s["blocked"], s["reference_well"])
    taken = take(table, numbers=columns, labels=names, treatment="Differences need numbers: bounds are refused.")
    g, k, f = (taken.numbers[c] for c in columns)
    lots, place = named_groups(taken, s["lot"], most=200, noun="lots")
    found = [
        (str(name), block_fraction(g[place == i], k[place == i], f[place == i], weakest=s["weakest"]))
        for i, name in enumerate(lots)
    ]
    verdicts = []
    for name, one in found:
        of = f" of lot {name}" if s["lot"] else ""
        verdicts.append(
            Verdict(
                f"The block fraction{of} is large enough",
                one.total,
                "" if s["least"] is None else f"at least {s['least']:g}",
                outcome(one.total, s["least"], None),
                f"Met when the whole {100 * one.total.level:g} % interval lies above the limit.",
            )
        )
        verdicts.append(
            Verdict(
                f"The block fraction{of} varies little enough between donors",
                one.sd,
                "" if s["allowed_sd"] is None else f"at most {s['allowed_sd']:g}",
                outcome(one.sd, None, s["allowed_sd"]),
                f"Met when the whole {100 * one.sd.level:g} % interval of the standard deviation lies below the limit.",
            )
        )
    rows: list[tuple[Cell, ...]] = [(n, one.n, one.total, one.mean, one.sd, one.left_out) for n, one in found]
    heads = ("lot", "donors", "fraction, ratio of totals", "fraction, mean of donors", "SD between donors", "left out")
    warnings = ["The block fraction is only as good as the reference that is taken to hold no platelet part."]
    if any(one.left_out for _, one in found):
        warnings.append("Donors without a platelet part cannot tell the fraction and were left out, as counted.")
    if any(one.total.value is not None and one.total.value > 1 for _, one in found):
        warnings.append("A fraction above 1 means that the reference still holds a platelet part, or wells differ.")
    return account_of(
        s,
        "Block fraction of the platelet blocker",
        taken,
        design=(
            f"{g.size} donors, {counted(lots.size, 'lot')}: base well, blocked well and an independent reference "
            "without platelet part.",
            "b = (base − blocked)/(base − reference).",
        ),
        verdicts=tuple(verdicts),
        grids=(Grid("Block fraction", tuple(Column(c) for c in heads), tuple(rows)),),
        pictures=(block_picture(found, s["unit"]),),
        definitions=(
            Definition(
                "block fraction",
                "Share b of the platelet part that the blocker takes away; then fibrin = (blocked − (1 − b) base)/b "
                "and platelet = (base − blocked)/b. The SD between donors, not the standard error, is what one new "
                "sample needs.",
                "own definition",
            ),
        ),
        numbers={
            "lots": [n for n, _ in found],
            "fraction": [one.total for _, one in found],
            "fraction_mean": [one.mean for _, one in found],
            "sd": [one.sd for _, one in found],
            "sd_between_lots": _spread([one for _, one in found]),
        },
        warnings=tuple(warnings),
    )


def _spread(found: list[BlockFraction]) -> float | None:
    means = [one.mean.value for one in found if one.mean.value is not None]
    return float(np.std(means, ddof=1)) if len(means) > 1 else None
