"""The account of results along a dose or a time."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.verify.equivalence import EQUIVALENCE
from stanch.verify.interference._common import REFUSED, account_of, limit_warning
from stanch.verify.interference.dose import dose_response
from stanch.verify.interference.pictures import dose_picture
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Verdict
from stanch.verify.scales import allowed_text, shown
from stanch.verify.table import Table, take
from stanch.verify.words import counted

TOLERATED = Definition(
    "tolerated dose",
    "Where the curve of the mean change leaves the allowed change. Its near limit, where the pointwise band first "
    "touches the allowed change, is the one to state: a one-sided limit of level 1 − alpha. What the tested range does "
    "not reach is not extrapolated.",
    "Inversion of a confidence band, as Fieller EC. J R Stat Soc B 16:175-185 (1954), from memory",
)


def along(table: Table, s: dict[str, Any]) -> Account:
    """The change from a reference along a dose or a time."""
    stability = s["design"] == "stability"
    along = s["time"] if stability else s["dose"]
    labels = (s["sample"],) if s["sample"] else ()
    taken = take(table, numbers=(along, s["result"]), labels=labels, treatment=REFUSED)
    names = taken.labels[s["sample"]] if s["sample"] else None
    x, y = taken.numbers[along], taken.numbers[s["result"]]
    found = dose_response(
        x,
        y,
        names,
        allowed=s["allowed"],
        scale=s["scale"],
        reference=s["reference"],
        claim=s["claim"],
        order=s["order"],
        slopes=s["slopes"],
        alpha=s["alpha"],
        unit=s["unit"],
    )
    change = found.change
    word, unit = ("time", s["along_unit"]) if stability else ("dose", s["along_unit"])
    what = "ratio to the reference" if s["scale"] == "ratio" else "change from the reference"
    far = shown(change.at(change.high if change.high != change.reference else change.low), s["scale"], s["unit"])
    verdicts = []
    if s["claim"] is not None and found.claimed is not None:
        verdicts.append(
            Verdict(
                f"The result holds up to {s['claim']:g} {unit} ({s['factor']})".replace("  ", " "),
                found.claimed,
                allowed_text(s["allowed"], s["scale"], s["unit"], what),
                found.outcome,
                f"Met when the {100 * (1 - 2 * s['alpha']):g} % band stays inside the limits all the way from the "
                f"reference to the claimed {word}.",
            )
        )
    else:
        verdicts.append(
            Verdict(
                f"The effect of {s['factor']} at the end of the tested range is small enough",
                far,
                "",
                "no limit stated",
                f"State with --claim up to which {word} the result is to hold, and what is allowed, to have it judged.",
            )
        )
    ends: list[tuple[Cell, ...]] = [
        ("reference", change.reference, unit),
        ("tested from", change.low, unit),
        ("tested to", change.high, unit),
    ]
    for side, one in (("above", found.tolerated_up), ("below", found.tolerated_down)):
        if one is not None:
            ends.append((f"allowed change exceeded, {side} the reference", one, unit))
    rate = "logarithm" if s["scale"] == "ratio" else s["unit"]
    ends.append(("slope at the reference", found.slope, f"{rate}/{unit}" if unit and rate else rate or unit))
    levels = Grid(
        f"Change seen at every {word}",
        (Column(word, unit), Column("samples"), Column(what, "" if s["scale"] == "ratio" else s["unit"])),
        tuple((one.dose, one.samples, one.effect) for one in found.levels),
        "Against the same samples at the reference; no curve is assumed.",
    )
    return account_of(
        s,
        f"Stability: {s['factor']}" if stability else f"Dose and response: {s['factor']}",
        taken,
        design=_design(found, s, word),
        verdicts=tuple(verdicts),
        grids=(
            Grid(f"{s['factor'].capitalize()}", (Column("quantity"), Column("value"), Column("unit")), tuple(ends)),
            *((levels,) if levels.rows else ()),
        ),
        pictures=(dose_picture(x, y, names, found, s, word),),
        definitions=(EQUIVALENCE, TOLERATED),
        numbers={
            "tolerated_up": found.tolerated_up,
            "tolerated_down": found.tolerated_down,
            "claimed_effect": found.claimed,
            "slope": found.slope,
            "samples": change.samples,
            "left_out_samples": change.left_out,
            "df": change.df,
            "residual_sd": change.residual_sd,
            "misfit": found.misfit,
            "levels": [[one.dose, one.effect] for one in found.levels],
        },
        warnings=_warnings(found, s, word),
    )


def _design(found: Any, s: dict[str, Any], word: str) -> tuple[str, ...]:
    change = found.change
    spread = (
        "Each sample has a curve of its own; the mean curve has a t interval over samples (random coefficients)."
        if change.slopes == "vary"
        else "One curve for all samples, each with a level of its own."
    )
    return (
        f"{change.n} results of {counted(change.samples, 'sample')}, "
        + f"{word} {change.low:g} to {change.high:g} {s['along_unit']}".rstrip()
        + ".",
        f"Polynomial of order {change.order} within samples" + (", on logarithms." if s["scale"] == "ratio" else "."),
        spread,
    )


def _warnings(found: Any, s: dict[str, Any], word: str) -> tuple[str, ...]:
    out = list(limit_warning(s))
    change = found.change
    if change.left_out:
        out.append(f"{change.left_out} samples had too few different {word}s for a curve of their own.")
    if change.slopes == "common" and change.samples > 1:
        out.append("Common slopes: if samples respond differently, the interval is too short.")
    if change.samples == 1:
        out.append("One sample only: other samples may respond differently, and no interval here covers that.")
    if found.misfit is not None and s["allowed"] is not None:
        edge = np.log(s["allowed"]) if s["scale"] == "ratio" else s["allowed"]
        if found.misfit > 0.25 * edge:
            out.append(
                f"A curve of order {change.order + 1} differs by {100 * (found.misfit / edge):.0f} % of the allowed "
                "change somewhere in the tested range: look at the picture before trusting this one."
            )
    if not change.low <= change.reference <= change.high:
        out.append(f"The reference lies outside the tested {word}s: the change is extrapolated to it.")
    return tuple(out)
