"""The account of instruments against each other."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import UsageError
from stanch.verify.equivalence import EQUIVALENCE, together
from stanch.verify.external._words import TREATMENT
from stanch.verify.external.instruments import Instruments, compare_instruments
from stanch.verify.records import (
    Account,
    Bounded,
    Cell,
    Column,
    Definition,
    Grid,
    Level,
    Picture,
    Rows,
    Verdict,
)
from stanch.verify.scales import Scale, allowed_text, edges, no_effect, on_scale, shown
from stanch.verify.table import Table, take

DEFINITIONS = (
    Definition(
        "instrument bias",
        "Mean of an instrument less the mean of all, on samples measured on every one; interval from the scatter left "
        "in the two-way table.",
        "Two-way analysis of variance without interaction, general statistics",
    ),
    Definition(
        "between instruments",
        "Standard deviation of the instruments' means beyond what scatter explains, instruments random; a negative "
        "variance is shown raw and counts as zero.",
        "Searle SR, Casella G, McCulloch CE. Variance Components (1992), from memory",
    ),
    EQUIVALENCE,
)


def compared(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Every instrument against every other one on the same samples."""
    s = settings
    if not s["sample"]:
        raise UsageError("option --sample", got="nothing", allowed="the column that names the sample", do="Give it.")
    taken = take(
        table,
        numbers=(s["result"],),
        labels=(s["participant"], s["sample"]),
        censored="drop" if s["censored"] == "leave-out" else "refuse",
        treatment=TREATMENT[s["censored"]],
    )
    scale: Scale = s["scale"]
    _, upper = edges(s["allowed"], scale)
    found = compare_instruments(
        on_scale(taken.numbers[s["result"]], scale),
        taken.labels[s["participant"]],
        taken.labels[s["sample"]],
        allowed=upper,
        alpha=s["alpha"],
        unit=s["unit"] if scale == "difference" else "1",
    )
    warned = []
    if not found.pairs:
        warned.append(f"{len(found.names)} instruments make too many pairs; each is shown against the mean of all.")
    if found.complete < found.samples:
        warned.append(f"{found.samples - found.complete} of {found.samples} samples are not measured on every one.")
    return Account(
        protocol="external",
        title="Instruments against each other",
        question=question,
        design=(
            f"{len(found.names)} instruments, {found.samples} samples, {found.complete} of them on every instrument.",
            f"Paired comparison on the scale of {scale}s; no adjustment for the number of pairs: each interval stands "
            "for itself.",
        ),
        data=taken.data,
        verdicts=_verdicts(found, s, scale),
        grids=_grids(found, s, scale),
        pictures=_pictures(found, s, scale),
        definitions=DEFINITIONS,
        settings=settings,
        numbers={
            "instruments": list(found.names),
            "samples": found.samples,
            "complete": found.complete,
            "bias": {name: shown(b, scale, s["unit"]) for name, b in zip(found.names, found.bias, strict=True)},
            "between_variance": found.between_raw,
            "between_sd": found.between,
            "within_sd": found.within,
            "f": found.f,
            "p": found.p,
            "pairs": [
                {
                    "one": p.one,
                    "two": p.two,
                    "samples": p.samples,
                    "difference": None if p.result is None else shown(p.result.difference, scale, s["unit"]),
                    "outcome": None if p.result is None else p.result.outcome,
                    "p_equivalence": None if p.result is None else p.result.p,
                }
                for p in found.pairs
            ],
        },
        warnings=tuple(warned),
    )


def _verdicts(found: Instruments, s: dict[str, Any], scale: Scale) -> tuple[Verdict, ...]:
    rule = f"Met when the whole {100 * (1 - 2 * s['alpha']):g} % interval of every pair lies inside the limits."
    claim = "All instruments read alike"
    if not found.pairs:
        many = Bounded.missing("Too many pairs to judge each: name fewer instruments.")
        return (Verdict(claim, many, "", "no limit stated" if s["allowed"] is None else "undecided", rule),)
    made = [p.result for p in found.pairs if p.result is not None]
    if not made:
        none = Bounded.missing("No two instruments share two samples.", s["unit"])
        return (Verdict(claim, none, "", "no limit stated" if s["allowed"] is None else "undecided", rule),)
    worst = max(made, key=lambda r: abs(r.difference.value or 0.0))
    # A pair that cannot be judged leaves the claim for all of them open.
    state = together("undecided" if p.result is None else p.result.outcome for p in found.pairs)
    state = "no limit stated" if s["allowed"] is None else state
    text = allowed_text(s["allowed"], scale, s["unit"], "mean difference" if scale == "difference" else "mean ratio")
    return (Verdict(claim, shown(worst.difference, scale, s["unit"]), text, state, rule + " Shown: the largest."),)


def _grids(found: Instruments, s: dict[str, Any], scale: Scale) -> tuple[Grid, ...]:
    unit = s["unit"] if scale == "difference" else "1"
    bias = tuple(
        (name, int(np.isfinite(row).sum()), shown(b, scale, s["unit"]))
        for name, row, b in zip(found.names, found.table, found.bias, strict=True)
    )[:100]
    spread: tuple[tuple[Cell, ...], ...] = (
        ("variance between instruments, raw", found.between_raw),
        ("standard deviation between instruments", found.between),
        ("standard deviation of the rest", found.within),
        ("F of no difference", found.f),
        ("p of no difference", found.p),
    )
    pairs = tuple(
        (
            p.one,
            p.two,
            p.samples,
            None if p.result is None else shown(p.result.difference, scale, s["unit"]),
            None if p.result is None else p.result.outcome,
        )
        for p in found.pairs[:200]
    )
    note = "Of logarithms." if scale == "ratio" else ""
    what = "difference, two − one" if scale == "difference" else "ratio, two/one"
    return (
        Grid(
            "Instruments against the mean of all",
            (
                Column("instrument"),
                Column("samples"),
                Column("bias" if scale == "difference" else "ratio to the mean", unit),
            ),
            bias,
        ),
        Grid("Scatter", (Column("quantity"), Column("value")), spread, note),
        Grid(
            "Pairs of instruments",
            (Column("one"), Column("two"), Column("samples"), Column(what, unit), Column("outcome")),
            pairs,
            f"With the {100 * (1 - 2 * s['alpha']):g} % interval that decides."
            + (f" The first 200 of {len(found.pairs)}." if len(found.pairs) > 200 else ""),
        ),
    )


def _pictures(found: Instruments, s: dict[str, Any], scale: Scale) -> tuple[Picture, ...]:
    unit = s["unit"] or "-"
    axis = f"difference [{unit}]" if scale == "difference" else "ratio [-]"
    zero = Level(no_effect(scale), "no difference", axis="x", kind="zero")
    ends = []
    if s["allowed"] is not None:
        a = s["allowed"]
        ends = [Level(e, "allowed", axis="x") for e in ((-a, a) if scale == "difference" else (1 / a, a))]

    def rows(values: dict[str, Bounded]) -> Rows:
        return Rows(
            tuple(values),
            tuple(b.value for b in values.values()),
            tuple(b.low for b in values.values()),
            tuple(b.high for b in values.values()),
        )

    bias = {n: shown(b, scale, s["unit"]) for n, b in list(zip(found.names, found.bias, strict=True))[:40]}
    pairs = {
        f"{p.two} against {p.one}": shown(p.result.difference, scale, s["unit"])
        for p in found.pairs[:40]
        if p.result is not None
    }
    made = []
    if found.complete >= 2:
        made.append(
            Picture(
                "Instruments against the mean of all",
                axis,
                "instrument [-]",
                (rows(bias), zero),
                "Mean over the samples measured on every instrument, with 95 % interval.",
                f"{len(found.names)} instruments, {found.complete} samples.",
            )
        )
    if pairs:
        made.append(
            Picture(
                "Pairs of instruments",
                axis,
                "pair [-]",
                (rows(pairs), zero, *ends),
                f"Mean with the {100 * (1 - 2 * s['alpha']):g} % interval that decides."
                + (" The first 40 pairs are drawn." if len(found.pairs) > 40 else ""),
                f"{len(pairs)} pairs.",
            )
        )
    return tuple(made)
