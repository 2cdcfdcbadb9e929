"""Verdict, tables, pictures and numbers of the account."""

from __future__ import annotations

import dataclasses
from typing import Any

from stanch.verify.hold._read import Read
from stanch.verify.hold._words import INFLATED
from stanch.verify.hold.pictures import agreement_picture, error_picture, prediction_picture, time_picture
from stanch.verify.hold.study import HoldStudy
from stanch.verify.records import Bounded, Cell, Column, Grid, Picture, Verdict


def verdict(name: str, one: HoldStudy, s: dict[str, Any], several: bool) -> Verdict:
    """Whether stiffness can be read early in one group."""
    chosen = next((h for h in one.holds if h.hold == one.smallest), one.holds[-1])
    value = chosen.accuracy.ninety if chosen.accuracy else Bounded.missing(chosen.why or "No prediction.", "%")
    where = f" ({name})" if several else ""
    claim = f"Stiffness can be read {chosen.hold:g} min after onset{where}"
    if one.smallest is None:
        claim = f"Stiffness can be read early{where}; shown is the longest hold, {chosen.hold:g} min"
    return Verdict(
        claim,
        value,
        "" if s["allowed"] is None else f"90 % of predicted plateaus within {s['allowed']:g} %",
        one.outcome,
        f"Holds are judged from the longest down: met at the smallest one such that the upper "
        f"{100 * (1 - s['alpha']):g} % limit of the 90 % error of it and of every longer hold that can be judged is "
        "within the allowed error.",
    )


def grids(name: str, one: HoldStudy, s: dict[str, Any], several: bool) -> tuple[Grid, ...]:
    """Every hold, and the decisions at every limit."""
    where = f" ({name})" if several else ""
    heads = (
        Column("hold", "min"),
        Column("curves"),
        Column("plateaus still rising"),
        Column("half within", "%"),
        Column("90 % within", "%"),
        Column("RMS of logarithm"),
        Column("error over that of guessing the mean"),
        Column("curves that have it"),
        Column("median time saved", "min"),
        Column("correlation"),
    )
    rows: list[tuple[Cell, ...]] = []
    for h in one.holds:
        a = h.accuracy
        cells: tuple[Cell, ...] = (a.n, a.open, a.median, a.ninety, a.rms, a.left) if a else (None,) * 6
        rows.append((h.hold, *cells, h.available, h.saved, h.correlation.value))
    grids = [Grid(f"Every hold{where}", heads, tuple(rows), INFLATED)]
    for k, limit in enumerate(s["limits"] or ()):
        decided = [(h.hold, h.decisions[k]) for h in one.holds if h.decisions]
        grids.append(
            Grid(
                f"Decisions at {limit:g} {s['unit']}{where}",
                (
                    Column("hold", "min"),
                    Column("both"),
                    Column("early only"),
                    Column("plateau only"),
                    Column("neither"),
                    Column("not known"),
                    Column("sensitivity"),
                    Column("specificity"),
                    Column("kappa"),
                ),
                tuple((hold, *d.counts, d.unknown, d.sensitivity, d.specificity, d.kappa) for hold, d in decided),
                f"Positive: {s['positive']} the limit.",
            )
        )
    return tuple(grids)


def pictures(found: list[tuple[str, HoldStudy]], read: Read, s: dict[str, Any]) -> tuple[Picture, ...]:
    """Pictures of the first two groups."""
    pictures = []
    for k, (name, one) in enumerate(found[:2]):
        own = read.group == k
        shown = next((h for h in one.holds if h.hold == one.smallest), one.holds[-1])
        made = [
            error_picture(one, s["allowed"], "min"),
            prediction_picture(shown, read.plateau[own], read.hidden[own], s["unit"], "min"),
        ]
        if len(found) == 1:
            made += [time_picture(one, "min")]
            decided = agreement_picture(one, s["unit"], "min")
            made += [decided] if decided else []
        else:
            made = [dataclasses.replace(p, title=f"{p.title} ({name})") for p in made]
        pictures += made
    return tuple(pictures)


def numbers(one: HoldStudy) -> dict[str, Any]:
    """Everything about one group, unrounded."""
    return {
        "smallest": one.smallest,
        "stopped_at": one.stopped_at,
        "skipped": list(one.skipped),
        "curves": one.curves,
        "donors": one.donors,
        "open": one.open,
        "resamples": one.resamples,
        "holds": [
            {
                "hold": h.hold,
                "why": h.why,
                "available": h.available,
                "saved": h.saved,
                "correlation": h.correlation,
                "slope": h.slope,
                "intercept": h.intercept,
                "median": h.accuracy.median if h.accuracy else None,
                "ninety": h.accuracy.ninety if h.accuracy else None,
                "rms": h.accuracy.rms if h.accuracy else None,
                "left": h.accuracy.left if h.accuracy else None,
                "bias": h.accuracy.bias if h.accuracy else None,
                "decisions": [
                    {
                        "limit": d.limit,
                        "counts": list(d.counts),
                        "unknown": d.unknown,
                        "sensitivity": d.sensitivity,
                        "specificity": d.specificity,
                        "kappa": d.kappa,
                    }
                    for d in h.decisions
                ],
            }
            for h in one.holds
        ],
    }
