"""The account of the completeness of an antifibrinolytic."""

from __future__ import annotations

from typing import Any

from stanch.verify.reagents._common import account_of
from stanch.verify.reagents.additive import residual_loss
from stanch.verify.reagents.pictures import residual_picture
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Verdict
from stanch.verify.table import Table, take


def antifibrinolytic(table: Table, s: dict[str, Any]) -> Account:
    """Whether an antifibrinolytic stops added lysis."""
    columns = [c for c in (s["protected"], s["control"], s["unprotected"]) if c]
    taken = take(table, numbers=columns, treatment="Mean loss rates need numbers: bounds are refused.")

    def column(key: str) -> Any:
        return taken.numbers[s[key]] if s[key] else None

    found = residual_loss(
        column("protected"),
        control=column("control"),
        unprotected=column("unprotected"),
        allowed=s["allowed"],
        alpha=s["alpha"],
        unit=s["unit"] or "%/min",
    )
    warnings = []
    if found.challenged is None:
        warnings.append(
            "The well without antifibrinolytic was not measured: that there was lysis to stop is not shown."
        )
    elif not found.challenged:
        warnings.append("The samples were not shown to lyse, so completeness was not put to the test.")
    if s["control"] is None:
        warnings.append("Without a control, decline that is not lysis (retraction) counts as residual lysis.")
    rows: tuple[tuple[Cell, ...], ...] = (
        ("residual loss rate", found.residual),
        ("loss rate stopped, without minus with", found.challenge),
        ("share of the added loss stopped", found.stopped),
    )
    return account_of(
        s,
        "Completeness of the antifibrinolytic",
        taken,
        design=(
            f"{found.n} samples with added lysis, read in the well with antifibrinolytic"
            + (", each against itself without added lysis." if s["control"] else "."),
            "One-sided t test of the mean residual loss rate against the allowed one.",
        ),
        verdicts=(
            Verdict(
                "The antifibrinolytic stops added lysis",
                found.residual,
                "" if s["allowed"] is None else f"at most {s['allowed']:g} {found.residual.unit}",
                found.outcome,
                f"Met when the {100 * found.residual.level:g} % interval of the mean lies below the limit and the "
                "well without antifibrinolytic shows that there was lysis to stop.",
            ),
        ),
        grids=(Grid("Loss rates", (Column("quantity"), Column("value")), rows),),
        pictures=(
            residual_picture(column("protected"), column("control"), column("unprotected"), found, s["allowed"]),
        ),
        definitions=(
            Definition(
                "residual loss rate",
                "Mean loss rate with antifibrinolytic and added lysis, minus that of the same samples without added "
                "lysis.",
                "own definition",
            ),
        ),
        numbers={
            "residual": found.residual,
            "challenge": found.challenge,
            "stopped": found.stopped,
            "challenged": found.challenged,
            "n": found.n,
        },
        warnings=tuple(warnings),
    )
