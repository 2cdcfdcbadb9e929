"""One reading in separate groups of people: areas compared; the account."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np

from stanch.errors import InputError
from stanch.verify.discrimination._common import Chosen, at_least, truth, without_others
from stanch.verify.discrimination.area import Area, area
from stanch.verify.discrimination.compare import AreaDifference, compare_areas
from stanch.verify.discrimination.marks import Marks, marks
from stanch.verify.discrimination.pictures import curve_picture
from stanch.verify.discrimination.words import AREA, COMPARISON, NOT_A_PROBABILITY, TREATMENT
from stanch.verify.records import Account, Column, Grid, Level, Picture, Rows
from stanch.verify.scales import grouped
from stanch.verify.table import Table, take

QUESTION = "Does a reading tell two groups of people apart equally well in separate sets of people?"
MOST_SETS = 12


def separate(
    table: Table, reading: str, group: str, who: tuple[str, str, str | None], chosen: Chosen, settings: dict[str, Any]
) -> Account:
    """The account of one reading in separate sets of people."""
    taken = take(table, numbers=(reading,), labels=(who[0], group), censored="keep", treatment=TREATMENT)
    positive, rows = truth(taken, *who)
    names, place = grouped(taken.labels[group])
    if not 2 <= names.size <= MOST_SETS:
        raise InputError(f"column {group}", got=f"{names.size} sets of people", allowed=f"2 to {MOST_SETS}")
    found: dict[str, Marks] = {}
    for k, name in enumerate(names):
        own = rows & (place == k)
        if min(int((own & positive).sum()), int((own & ~positive).sum())) < 2:
            raise InputError(
                f"column {group}, {name}",
                got=f"{int((own & positive).sum())} positive and {int((own & ~positive).sum())} negative people",
                allowed="at least two of each in every set",
            )
        found[str(name)] = marks(
            taken.numbers[reading][own],
            positive[own],
            direction=chosen.toward(reading),
            below=taken.below[reading][own],
            above=taken.above[reading][own],
            bounds=chosen.censored,
        )
    areas = {name: area(one, level=chosen.confidence, interval=chosen.interval) for name, one in found.items()}
    gaps = {(a, b): compare_areas(areas[a], areas[b], level=chosen.confidence) for a, b in combinations(areas, 2)}
    values = {name: one.area.value for name, one in areas.items() if one.area.value is not None}
    return Account(
        protocol="discrimination",
        title="Discrimination in separate sets of people",
        question=QUESTION,
        design=(
            f"{reading} in {names.size} separate sets of people: "
            + ", ".join(f"{n} ({a.positives} positive, {a.negatives} negative)" for n, a in areas.items())
            + ".",
            f"Direction as stated: {next(iter(found.values())).direction} means positive.",
            f"DeLong's variance in each set; differences with {100 * chosen.confidence:g} % intervals.",
        ),
        data=without_others(taken, rows, who[0]),
        verdicts=tuple(
            at_least(f"{reading} tells the groups apart in {name}", one.area, chosen.least_area, "area under the curve")
            for name, one in areas.items()
        ),
        grids=(_area_grid(areas), _gap_grid(gaps)),
        pictures=(
            curve_picture(found, {}, values, chosen.confidence),
            _picture(areas, chosen.least_area),
        ),
        definitions=(*AREA, COMPARISON),
        settings=settings,
        numbers={"areas": areas, "differences": {f"{a} − {b}": one for (a, b), one in gaps.items()}},
        warnings=_warnings(areas, gaps),
    )


def _area_grid(areas: dict[str, Area]) -> Grid:
    rows = tuple((name, one.positives, one.negatives, one.area, one.se, one.interval) for name, one in areas.items())
    columns = (
        Column("set of people"),
        Column("positive people"),
        Column("negative people"),
        Column("area under the curve", "1"),
        Column("standard error", "1"),
        Column("kind of interval"),
    )
    return Grid("Areas under the curve", columns, rows)


def _gap_grid(gaps: dict[tuple[str, str], AreaDifference]) -> Grid:
    rows = tuple((f"{a} − {b}", one.difference, one.se, one.z, one.p) for (a, b), one in gaps.items())
    columns = (
        Column("comparison"),
        Column("difference of areas", "1"),
        Column("standard error", "1"),
        Column("z"),
        Column("p"),
    )
    return Grid("Areas compared, separate people", columns, rows)


def _picture(areas: dict[str, Area], least: float | None) -> Picture:
    low = [one.area.low for one in areas.values()]
    high = [one.area.high for one in areas.values()]
    value = [one.area.value for one in areas.values()]
    span = np.array([v for v in value if v is not None])
    return Picture(
        "Areas by set of people",
        "area under the curve [-]",
        "",
        (
            Rows(tuple(areas), tuple(value), tuple(low), tuple(high)),
            *(() if least is None else (Level(least, "least allowed", axis="x"),)),
        ),
        caption="Each row is the area in one set of people with its interval.",
        alt=f"Areas from {span.min():.3f} to {span.max():.3f}.",
    )


def _warnings(areas: dict[str, Area], gaps: dict[tuple[str, str], AreaDifference]) -> tuple[str, ...]:
    said = [NOT_A_PROBABILITY]
    if any(one.area.value is not None and one.area.value < 0.5 for one in areas.values()):
        said.append(
            "An area is below one half: the direction may be stated the wrong way round. Nothing was turned over."
        )
    said += [f"{name}: {one.area.why}" for name, one in areas.items() if one.area.why]
    if len(gaps) > 1:
        said.append(f"{len(gaps)} differences are tested, each by itself.")
    return tuple(said)
