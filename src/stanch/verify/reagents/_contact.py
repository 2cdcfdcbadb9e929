"""The account of contact activation in wells with tissue factor."""

from __future__ import annotations

from typing import Any

from stanch.errors import InputError
from stanch.verify.reagents._common import account_of
from stanch.verify.reagents.contact import contact_activation
from stanch.verify.reagents.pictures import contact_picture
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Verdict
from stanch.verify.table import Table, take


def contact(table: Table, s: dict[str, Any]) -> Account:
    """Whether tissue factor sets the clot before contact does."""
    treatment = "Wells that never set (>x) stay in: as not yet set until x in the curves, as at least x in the leads."
    columns = (s["with_factor"], s["blank"])
    taken = take(table, numbers=columns, censored="keep", treatment=treatment)
    for name in columns:
        if taken.below[name].any():
            raise InputError(f"column {name}", got="an onset <x", allowed="numbers or >x", do="Leave the row out.")
    found = contact_activation(
        taken.numbers[columns[0]],
        taken.numbers[columns[1]],
        with_open=taken.above[columns[0]],
        blank_open=taken.above[columns[1]],
        least=s["least"],
        alpha=s["alpha"],
        unit=s["unit"],
    )
    rows: tuple[tuple[Cell, ...], ...] = (
        ("median lead of tissue factor over the blank", found.lead),
        ("median onset with tissue factor", found.median_with),
        ("median onset of the blank", found.median_blank),
        ("wells with tissue factor that never set", found.open_with),
        ("blanks that never set", found.open_blank),
        ("log-rank p, wells taken as independent", found.p),
    )
    return account_of(
        s,
        "Contact activation of tissue-factor wells",
        taken,
        design=(
            f"{found.n} samples, each with and without tissue factor.",
            "Median lead with the lower limit of the sign test; Kaplan-Meier curves; log-rank test beside.",
        ),
        verdicts=(
            Verdict(
                "Tissue factor sets the clot before contact does",
                found.lead,
                "" if s["least"] is None else f"median lead at least {s['least']:g} {s['unit']}".strip(),
                found.outcome,
                f"Met when the one-sided {100 * found.lead.level:g} % lower limit of the median lead reaches the "
                "limit.",
            ),
        ),
        grids=(Grid("Onsets", (Column("quantity"), Column("value", s["unit"])), rows),),
        pictures=(contact_picture(found, s["unit"]),),
        definitions=(
            Definition("lead", "Onset of the blank minus onset with tissue factor in the same sample.", "This project"),
            Definition(
                "Kaplan-Meier curve",
                "Share of wells not yet set, with wells that never set counted until their run ended.",
                "Kaplan EL, Meier P. J Am Stat Assoc 53:457-481 (1958), from memory",
            ),
            Definition(
                "log-rank test",
                "Compares two such curves; it ignores that wells are paired and is shown beside, not used for the "
                "verdict.",
                "Mantel N. Cancer Chemother Rep 50:163-170 (1966), from memory",
            ),
        ),
        numbers={
            "lead": found.lead,
            "median_with": found.median_with,
            "median_blank": found.median_blank,
            "log_rank": found.log_rank,
            "p_log_rank": found.p,
            "never_set_with": found.open_with,
            "never_set_blank": found.open_blank,
            "n": found.n,
        },
        warnings=("The blank's wall is what is compared: another cup or another recalcification is another study.",),
    )
