"""Tables of the account of the rounds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.verify.external._assess import Group
from stanch.verify.external._words import WORDS
from stanch.verify.records import Cell, Column, Grid
from stanch.verify.table import Taken

Floats = NDArray[np.float64]

SHOWN = 100


def round_grid(groups: list[Group], unit: str) -> Grid:
    """Samples with what results are held against."""
    columns = (
        Column("round"),
        Column("sample"),
        Column("results"),
        Column("assigned value", unit),
        Column("its standard uncertainty", unit),
        Column("standard deviation for assessment", unit),
        Column("consensus of the round", unit),
        Column("spread of the round", unit),
    )
    rows: list[tuple[Cell, ...]] = [
        (g.round or None, g.sample or None, int(g.rows.size), g.assigned, g.uncertainty, g.sigma)
        + ((None, None) if g.found is None else (g.found.value, g.found.sd))
        for g in groups[:SHOWN]
    ]
    note = f"The first {SHOWN} of {len(groups)}." if len(groups) > SHOWN else ""
    return Grid("Rounds", columns, tuple(rows), note)


def score_grid(
    taken: Taken,
    groups: list[Group],
    scores: dict[str, Floats],
    call: NDArray[np.str_],
    who: NDArray[np.intp],
    people: NDArray[np.str_],
    own: int | None,
) -> Grid:
    """Every result, or those of one participant."""
    place = np.empty(who.size, dtype=np.intp)
    for i, g in enumerate(groups):
        place[g.rows] = i
    chosen = np.arange(who.size) if own is None else np.flatnonzero(who == own)
    rows: list[tuple[Cell, ...]] = [
        (str(people[who[i]]), groups[place[i]].name, *(float(v[i]) for v in scores.values()), str(call[i]))
        for i in chosen[:SHOWN]
    ]
    note = f"The first {SHOWN} of {chosen.size}." if chosen.size > SHOWN else ""
    columns = (Column("participant"), Column("round and sample"), *(Column(WORDS[k]) for k in scores), Column("call"))
    return Grid("Scores", columns, tuple(rows), note)


def people_grid(z: Floats, call: NDArray[np.str_], who: NDArray[np.intp], people: NDArray[np.str_]) -> Grid:
    """Participants over all rounds."""
    count = np.bincount(who)
    mean = np.bincount(who, z) / count
    root = np.sqrt(np.bincount(who, z * z) / count)
    warn, act = (np.bincount(who, call == word, minlength=count.size) for word in ("warning", "action"))
    rows = tuple(
        (str(people[i]), int(count[i]), float(mean[i]), float(root[i]), int(warn[i]), int(act[i]))
        for i in range(min(SHOWN, people.size))
    )
    columns = (
        Column("participant"),
        Column("results"),
        Column("mean score"),
        Column("root mean square score"),
        Column("warnings"),
        Column("actions"),
    )
    note = f"The first {SHOWN} of {people.size}." if people.size > SHOWN else ""
    return Grid("Participants over all rounds", columns, rows, note)
