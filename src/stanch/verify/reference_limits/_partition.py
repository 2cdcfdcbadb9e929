"""Do groups need limits of their own: the account."""

from __future__ import annotations

import dataclasses
from itertools import combinations
from typing import Any

import numpy as np

from stanch.errors import InputError
from stanch.verify.records import Account, Bounded, Column, Grid, Outcome, Picture, Verdict
from stanch.verify.reference_limits._common import (
    TREATMENT,
    Chosen,
    People,
    apart,
    find,
    leave_out,
    limits_columns,
    limits_rows,
    numbers_of,
)
from stanch.verify.reference_limits.limits import ReferenceLimits
from stanch.verify.reference_limits.partition import GroupDifference, SharedOutside, group_difference
from stanch.verify.reference_limits.partition import outside_shared_limits as outside
from stanch.verify.reference_limits.pictures import bars, bins, groups_picture
from stanch.verify.reference_limits.words import METHODS, NOT_DECISION_LIMITS, OUTLIER_RULES, OWN, PARTITION
from stanch.verify.scales import grouped
from stanch.verify.table import Table, left_out, take

QUESTION = "Do groups of reference individuals need reference limits of their own?"
MOST_GROUPS = 12
# Below this even one person more or less outside moves a share past both bounds.
FEW = 120


def partition(
    table: Table,
    result: str,
    group: str,
    chosen: Chosen,
    exclude: str,
    critical: tuple[float, float],
    settings: dict[str, Any],
) -> Account:
    """The account of a comparison of groups."""
    taken = take(table, numbers=(result,), labels=(group,), censored="keep", treatment=TREATMENT)
    names, place = grouped(taken.labels[group])
    if not 2 <= names.size <= MOST_GROUPS:
        raise InputError(f"column {group}", got=f"{names.size} groups", allowed=f"2 to {MOST_GROUPS}")
    everyone = People(taken.numbers[result], taken.below[result], taken.above[result])
    keep = np.ones(place.size, dtype=bool)
    for k in range(names.size):
        own = everyone.only(place == k)
        rules, why = apart(own, chosen.shift)
        _, stays = leave_out(own, rules, exclude, why)
        keep[np.flatnonzero(place == k)[~stays]] = False
    data = left_out(taken.data, taken.row[~keep], f"flagged by {exclude} within its group, left out on request")
    people, place = everyone.only(keep), place[keep]
    together = find(people, chosen)
    separate = {str(name): find(people.only(place == k), chosen) for k, name in enumerate(names)}
    pairs, unmet = _pairs(people, place, names, chosen, critical)
    shares = _shares(people, place, names, together, chosen)
    return Account(
        protocol="reference-limits",
        title="Reference limits by group",
        question=QUESTION,
        design=(
            f"{people.values.size} reference individuals in {names.size} groups: "
            + ", ".join(f"{name} {found.n}" for name, found in separate.items())
            + ".",
            f"Limits by the method {together.method}, for each group and for all together; intervals at "
            f"{100 * chosen.confidence:g} %: {together.interval}.",
            f"Means and standard deviations are compared on the {chosen.scale} scale.",
        ),
        data=data,
        verdicts=_verdicts(pairs, unmet, shares),
        grids=(
            Grid(
                "Reference limits by group",
                limits_columns(chosen.unit),
                tuple(
                    row
                    for name, found in {**separate, "all together": together}.items()
                    for row in limits_rows(found, name)
                ),
            ),
            *_pair_grid(pairs, chosen),
            *_share_grid(shares),
        ),
        pictures=_pictures(people, place, names, separate, together, chosen),
        definitions=(*OWN, METHODS[chosen.method], *PARTITION, *OUTLIER_RULES),
        settings=settings,
        numbers={
            "all": numbers_of(together),
            "groups": {name: numbers_of(found) for name, found in separate.items()},
            "pairs": {f"{a} / {b}": dataclasses.asdict(found) for (a, b), found in pairs.items()},
            "outside_shared_limits": dict(shares),
        },
        warnings=_warnings(separate, together, unmet),
        seed=chosen.seed if "bootstrap" in together.interval or "shuffled" in together.interval else None,
    )


def _pairs(
    people: People, place: Any, names: Any, chosen: Chosen, critical: tuple[float, float]
) -> tuple[dict[tuple[str, str], GroupDifference], str]:
    if people.censored:
        return {}, "Means and standard deviations were not compared: some values are known only as bounds."
    x = people.values
    if chosen.log:
        x = np.log(x)
    made = {
        (str(names[i]), str(names[j])): group_difference(
            x[place == i], x[place == j], critical_z=critical[0], critical_ratio=critical[1]
        )
        for i, j in combinations(range(names.size), 2)
    }
    return made, ""


def _shares(
    people: People, place: Any, names: Any, together: ReferenceLimits, chosen: Chosen
) -> dict[str, SharedOutside]:
    lower = None if together.lower is None else together.lower.value
    upper = None if together.upper is None else together.upper.value
    if people.censored or (lower is None and upper is None):
        return {}
    return {
        str(name): outside(people.values[place == k], lower=lower, upper=upper, coverage=chosen.coverage)
        for k, name in enumerate(names)
    }


def _verdicts(
    pairs: dict[tuple[str, str], GroupDifference], unmet: str, shares: dict[str, SharedOutside]
) -> tuple[Verdict, ...]:
    made = []
    for (a, b), found in pairs.items():
        outcome: Outcome = "not met" if found.apart else "met"
        value = Bounded.missing("Neither group spreads.", "1") if found.z is None else Bounded(found.z, unit="1")
        ratio = "not defined" if found.sd_ratio is None else f"{found.sd_ratio:.3g}"
        made.append(
            Verdict(
                f"{a} and {b} can share limits",
                value,
                f"z at most {found.critical_z:.4g} and ratio of the standard deviations at most "
                f"{found.critical_ratio:g}",
                outcome,
                f"The rule of Harris and Boyd with the critical values in force; found: ratio {ratio}.",
            )
        )
    if unmet:
        made.append(Verdict("The groups can share limits", Bounded.missing(unmet, "1"), "", "undecided", unmet))
    if shares:
        worst = {found.outcome for found in shares.values()}
        few = [name for name, found in shares.items() if found.n < FEW]
        outcome = "not met" if "separate" in worst else "undecided" if "between" in worst else "met"
        if few:
            outcome = "undecided"
        value = max(
            (s for found in shares.values() for s in (found.below, found.above) if s is not None),
            key=lambda s: s.value or 0.0,
        )
        made.append(
            Verdict(
                "The share outside shared limits suits every group",
                value,
                "the published bounds on the share outside, in proportion to the coverage",
                outcome,
                "Met when every share lies within the inner bounds, not met when one lies at or beyond an outer one, "
                f"undecided where a group has fewer than {FEW} people. The value shown is the largest share.",
            )
        )
    return tuple(made)


def _pair_grid(pairs: dict[tuple[str, str], GroupDifference], chosen: Chosen) -> tuple[Grid, ...]:
    if not pairs:
        return ()
    unit = "1" if chosen.log else chosen.unit
    rows = tuple(
        (f"{a} / {b}", f.mean[0], f.sd[0], f.mean[1], f.sd[1], f.z, f.critical_z, f.sd_ratio)
        for (a, b), f in pairs.items()
    )
    columns = (
        Column("groups"),
        Column("mean of the first", unit),
        Column("SD of the first", unit),
        Column("mean of the second", unit),
        Column("SD of the second", unit),
        Column("z"),
        Column("critical z"),
        Column("ratio of the SDs"),
    )
    return (Grid("Groups against each other", columns, rows),)


def _share_grid(shares: dict[str, SharedOutside]) -> tuple[Grid, ...]:
    if not shares:
        return ()
    rows = tuple((name, f.n, f.below, f.above, f.outcome) for name, f in shares.items())
    columns = (
        Column("group"),
        Column("people"),
        Column("share below", "1"),
        Column("share above", "1"),
        Column("speaks for"),
    )
    return (Grid("Shares outside shared limits", columns, rows),)


def _pictures(
    people: People,
    place: Any,
    names: Any,
    separate: dict[str, ReferenceLimits],
    together: ReferenceLimits,
    chosen: Chosen,
) -> tuple[Picture, ...]:
    edges = bins(people.values)
    layers = tuple(
        bars(people.values[place == k], edges, str(name), k, density=True) for k, name in enumerate(names[:4])
    )
    more = " Only the first four groups are drawn." if names.size > 4 else ""
    return (
        groups_picture(separate, together, chosen.unit),
        Picture(
            "Groups of reference values",
            f"result [{chosen.unit or '-'}]",
            "share of the group [-]",
            layers,
            caption=f"Histograms as shares of each group, over the same bins.{more}",
            alt=f"Histograms of {min(names.size, 4)} groups.",
        ),
    )


def _warnings(separate: dict[str, ReferenceLimits], together: ReferenceLimits, unmet: str) -> tuple[str, ...]:
    said = [NOT_DECISION_LIMITS]
    if unmet:
        said.append(unmet)
    small = [name for name, found in separate.items() if found.n < 120]
    if small and together.method == "non-parametric":
        said.append(f"Fewer than 120 people in: {', '.join(small)}. Limits by rank need that many.")
    sizes = [found.n for found in separate.values()]
    if max(sizes) > 1.5 * min(sizes):
        said.append(
            "The groups differ in size: limits shared by all, and the shares outside them, follow the larger group."
        )
    return tuple(said)
