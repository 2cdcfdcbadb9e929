"""Tables of areas, contrasts, cut-offs and paired decisions."""

from __future__ import annotations

from typing import Any

from stanch.verify.discrimination._common import cutoff_words
from stanch.verify.discrimination.area import Area
from stanch.verify.discrimination.compare import AreaContrasts
from stanch.verify.discrimination.cutoff import CutOff, CutOffUncertainty
from stanch.verify.discrimination.decisions import PairedDecisions
from stanch.verify.discrimination.marks import Marks
from stanch.verify.records import Bounded, Column, Grid


def area_grid(areas: dict[str, Area], found: dict[str, Marks]) -> Grid:
    rows = tuple(
        (name, found[name].direction, one.positives, one.negatives, one.area, one.se, one.interval)
        for name, one in areas.items()
    )
    columns = (
        Column("reading"),
        Column("positive side"),
        Column("positive people"),
        Column("negative people"),
        Column("area under the curve", "1"),
        Column("standard error", "1"),
        Column("kind of interval"),
    )
    return Grid("Areas under the curve", columns, rows)


def contrast_grid(found: AreaContrasts | None, names: tuple[str, ...]) -> tuple[Grid, ...]:
    if found is None:
        return ()
    rows: list[tuple[Any, ...]] = [
        (f"{names[0]} − {name}", one.difference, one.se, one.z, one.p) for name, one in zip(names[1:], found.contrasts)
    ]
    if len(names) > 2:
        text = f"all equal, chi-square with {found.df} degrees of freedom"
        rows.append((text, None, None, found.chi2, found.p))
    columns = (
        Column("comparison"),
        Column("difference of areas", "1"),
        Column("standard error", "1"),
        Column("z or chi-square"),
        Column("p"),
    )
    return (Grid("Areas compared, same people", columns, tuple(rows)),)


def cutoff_grid(
    cutoffs: dict[str, CutOff], moved: dict[str, CutOffUncertainty], units: dict[str, str]
) -> tuple[Grid, ...]:
    if not cutoffs:
        return ()
    rows = []
    for name, cut in cutoffs.items():
        far = moved.get(name)
        value = Bounded(cut.value, unit=units[name]) if far is None else far.value
        rows.append(
            (
                name,
                f"positive {cut.words}",
                value,
                cutoff_words(cut),
                cut.tied,
                cut.sensitivity,
                None if far is None else far.sensitivity,
                cut.specificity,
                None if far is None else far.specificity,
            )
        )
    columns = (
        Column("reading"),
        Column("decision"),
        Column("cut-off"),
        Column("how it came about"),
        Column("equally good cuts"),
        Column("sensitivity", "1"),
        Column("sensitivity, corrected", "1"),
        Column("specificity", "1"),
        Column("specificity, corrected", "1"),
    )
    return (Grid("Cut-offs", columns, tuple(rows)),)


def pair_grid(pairs: dict[str, PairedDecisions]) -> tuple[Grid, ...]:
    """Paired decisions as a grid, none when there are none."""
    if not pairs:
        return ()
    rows = tuple(
        (
            name,
            one.both,
            one.only_first,
            one.only_second,
            one.neither,
            one.difference,
            one.chi2,
            one.p,
            one.p_corrected,
            one.p_exact,
        )
        for name, one in pairs.items()
    )
    columns = (
        Column("decisions"),
        Column("both positive"),
        Column("only the first"),
        Column("only the second"),
        Column("neither"),
        Column("difference of shares", "1"),
        Column("chi-square"),
        Column("p"),
        Column("p with continuity correction"),
        Column("p, exact"),
    )
    note = "In the positive group the difference is one of sensitivities, in the negative group one of 1 − specificity."
    return (Grid("Decisions compared, same people", columns, rows, note),)
