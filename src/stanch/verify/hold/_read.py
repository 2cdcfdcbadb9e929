"""From a table to the curves of each group: pushes read here, or readings made elsewhere."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.groups import named_groups
from stanch.verify.hold.curves import read_curves
from stanch.verify.records import DataUsed
from stanch.verify.scales import grouped
from stanch.verify.table import Table, left_out, take

GROUPS = 12


@dataclasses.dataclass(frozen=True)
class Read:
    """Curves of one group, times in minutes."""

    early: NDArray[np.float64]
    plateau: NDArray[np.float64]
    hidden: NDArray[np.bool_]
    donor: NDArray[np.str_]
    onset: NDArray[np.float64] | None
    entry: NDArray[np.float64] | None
    late: NDArray[np.bool_] | None
    group: NDArray[np.intp]


def curves(table: Table, s: dict[str, Any]) -> tuple[Read, NDArray[np.str_], DataUsed, list[str]]:
    """Curves read here, one push per row."""
    labels = [s["sample"], *(s[k] for k in ("group", "donor") if s[k])]
    taken = take(
        table,
        numbers=(s["time"], s["modulus"]),
        labels=labels,
        censored="keep",
        treatment="A modulus <x with x up to the onset modulus is liquid and enters as x; other bounds are refused. "
        "Plateaus still rising at the end of the run enter as lower bounds.",
    )
    g, below = taken.numbers[s["modulus"]], taken.below[s["modulus"]]
    bad = taken.above[s["modulus"]] | (below & (g > s["onset_modulus"]))
    if bad.any() or (taken.below[s["time"]] | taken.above[s["time"]]).any():
        row = int(taken.row[int(np.argmax(bad))]) if bad.any() else 0
        raise InputError(
            f"modulus or time in row {row}", got="a bound", allowed="numbers, or <x with x up to the onset modulus"
        )
    sample = taken.labels[s["sample"]]
    groups, place = named_groups(taken, s["group"], most=GROUPS)
    number = grouped(sample)[1]
    key, first, curve = np.unique(number * groups.size + place, return_index=True, return_inverse=True)
    factor = 60.0 if s["time_unit"] == "min" else 1.0
    holds = 60.0 * np.asarray(s["holds"], dtype=np.float64)
    found = read_curves(
        curve.reshape(-1),
        taken.numbers[s["time"]] * factor,
        g,
        holds,
        onset_modulus=s["onset_modulus"],
        dwell=s["dwell"],
    )
    donor = taken.labels[s["donor"]][first] if s["donor"] else sample[first]
    onset = np.where(np.isfinite(found.onset), found.onset / 60.0, np.nan)
    read = Read(
        found.early,
        found.plateau,
        found.plateau_open,
        donor,
        onset,
        np.where(np.isfinite(found.plateau), found.entry / 60.0, np.nan),
        found.plateau_open,
        key % groups.size,
    )
    notes = []
    for count, words in (
        (int(np.isposinf(found.onset).sum()), "never reached the onset modulus for the dwell"),
        (int(np.isneginf(found.onset).sum()), "had reached it before the first push"),
        (int(np.isnan(found.plateau).sum()), "are shorter than the window of the plateau"),
        (int((found.gap > 120).sum()), "have gaps of more than 2 min between pushes, bridged by straight lines"),
    ):
        if count:
            notes.append(f"{count} of {key.size} curves {words}.")
    return read, groups, taken.data, notes


def readings(table: Table, s: dict[str, Any]) -> tuple[Read, NDArray[np.str_], DataUsed, list[str]]:
    """Readings made elsewhere, one curve per row."""
    if len(s["early"]) != len(s["holds"]):
        raise UsageError(
            "option --early", got=f"{len(s['early'])} columns", allowed=f"one for each of {len(s['holds'])} holds"
        )
    if (s["onset"] is None) != (s["entry"] is None):
        raise UsageError("options --onset and --entry", got="one of them", allowed="both or neither")
    labels = [s[k] for k in ("group", "donor") if s[k]]
    taken = take(
        table,
        numbers=(s["plateau"],),
        labels=labels,
        censored="keep",
        treatment="Plateaus >x enter as lower bounds (likelihood); an early reading known only as a "
        "bound is missing at its hold; entries >x count as later.",
    )
    if taken.below[s["plateau"]].any():
        raise InputError(f"column {s['plateau']}", got="a plateau <x", allowed="numbers or >x")
    rows = taken.row - 1
    columns = [table.numbers(name) for name in s["early"]]
    # Hold by hold, each in one piece of memory, as they are judged.
    early = np.empty((rows.size, len(columns)), order="F")
    for k, column in enumerate(columns):
        early[:, k] = np.where(column.censored, np.nan, column.value)[rows]
    missing = dict(taken.data.missing) | {n: int(c.missing.sum()) for n, c in zip(s["early"], columns)}
    bounds = dict(taken.data.censored) | {n: int(c.censored.sum()) for n, c in zip(s["early"], columns)}
    data = dataclasses.replace(taken.data, missing=missing, censored=bounds)
    onset = entry = late = None
    if s["onset"]:
        factor = 1.0 if s["time_unit"] == "min" else 60.0
        first, last = table.numbers(s["onset"]), table.numbers(s["entry"])
        onset = np.where(first.censored, np.nan, first.value)[rows] / factor
        entry, late = last.value[rows] / factor, last.above[rows]
    groups, place = named_groups(taken, s["group"], most=GROUPS)
    donor = taken.labels[s["donor"]] if s["donor"] else taken.row.astype(np.str_)
    read = Read(early, taken.numbers[s["plateau"]], taken.above[s["plateau"]], donor, onset, entry, late, place)
    low = taken.numbers[s["plateau"]] <= 0
    return read, groups, left_out(data, taken.row[low], "plateau not above zero"), []
