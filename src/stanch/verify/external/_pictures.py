"""Pictures of the rounds, as data."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.verify.external._assess import Group
from stanch.verify.external._words import WORDS, criteria_of
from stanch.verify.records import Level, Picture, Points
from stanch.verify.scales import MARKS, thinned
from stanch.verify.table import Taken

Floats = NDArray[np.float64]


def pictures(
    taken: Taken,
    groups: list[Group],
    z: Floats,
    who: NDArray[np.intp],
    people: NDArray[np.str_],
    own: int | None,
    s: dict[str, Any],
) -> tuple[Picture, ...]:
    """The last sample, the history, and two samples of a round."""
    made = [_last(groups[-1], z, who, people, own, s)]
    if len(groups) > 1:
        made.append(_history(groups, z, who, own, s))
    two = _two_samples(taken, groups, who, own, s)
    return (*made, two) if two else tuple(made)


def _criteria(s: dict[str, Any]) -> tuple[Level, ...]:
    warn, act = criteria_of(s)
    outer = [Level(sign * act, "action") for sign in (-1, 1)]
    inner = [] if warn is None else [Level(sign * warn, "warning", kind="warning") for sign in (-1, 1)]
    return (Level(0.0, kind="zero"), *inner, *outer)


def _last(
    g: Group, z: Floats, who: NDArray[np.intp], people: NDArray[np.str_], own: int | None, s: dict[str, Any]
) -> Picture:
    order = g.rows[np.argsort(z[g.rows], kind="stable")]
    x, y = thinned(np.arange(order.size), z[order])
    layers: list[Any] = [Points(x, y, "participants")]
    if own is not None and (who[order] == own).any():
        at = np.flatnonzero(who[order] == own)
        layers.append(Points(tuple(at.astype(float).tolist()), tuple(z[order[at]].tolist()), s["own"], series=1))
    word = WORDS[s["score"]]
    few = order.size <= 40
    return Picture(
        "Scores of the last sample",
        "participant in the order of the scores [-]",
        f"score {word} [-]",
        (*layers, *_criteria(s)),
        f"{g.name}, {order.size} results." + (f" At most {MARKS} marks are drawn." if order.size > MARKS else ""),
        f"{int((np.abs(z[g.rows]) >= criteria_of(s)[1]).sum())} of {order.size} results call for action.",
        x_names=tuple(str(people[who[i]]) for i in order) if few else (),
    )


def _history(groups: list[Group], z: Floats, who: NDArray[np.intp], own: int | None, s: dict[str, Any]) -> Picture:
    place = np.empty(who.size)
    for i, g in enumerate(groups):
        place[g.rows] = i
    x, y = thinned(place, z)
    layers: list[Any] = [Points(x, y, "all participants", faint=own is not None)]
    if own is not None:
        mine = np.flatnonzero(who == own)
        mine = mine[np.argsort(place[mine], kind="stable")]
        ox, oy = thinned(place[mine], z[mine])
        layers.append(Points(ox, oy, s["own"], series=1))
    return Picture(
        "Scores across rounds",
        "round and sample in the order of the table [-]",
        f"score {WORDS[s['score']]} [-]",
        (*layers, *_criteria(s)),
        "Scores on one side round after round are a bias even when none calls for action."
        + (f" At most {MARKS} marks are drawn." if z.size > MARKS else ""),
        f"{len(groups)} rounds and samples.",
        x_names=tuple(g.name for g in groups) if len(groups) <= 30 else (),
    )


def _two_samples(
    taken: Taken, groups: list[Group], who: NDArray[np.intp], own: int | None, s: dict[str, Any]
) -> Picture | None:
    by_round: dict[str, list[Group]] = {}
    for g in groups:
        by_round.setdefault(g.round, []).append(g)
    both = next((v for v in reversed(list(by_round.values())) if len(v) >= 2), None)
    if both is None:
        return None
    one, two = both[-2], both[-1]
    x = taken.numbers[s["result"]]
    first = {int(who[i]): float(x[i]) for i in one.rows}
    pairs = [(int(who[i]), first[int(who[i])], float(x[i])) for i in two.rows if int(who[i]) in first]
    if not pairs:
        return None
    px, py = thinned([p[1] for p in pairs], [p[2] for p in pairs])
    layers: list[Any] = [Points(px, py, "participants")]
    mine = [p for p in pairs if p[0] == own]
    if mine:
        layers.append(Points(tuple(p[1] for p in mine), tuple(p[2] for p in mine), s["own"], series=1))
    layers += [Level(one.assigned, "assigned", axis="x", kind="mean"), Level(two.assigned, "assigned", kind="mean")]
    unit = s["unit"] or "-"
    return Picture(
        "Two samples of a round",
        f"{one.name} [{unit}]",
        f"{two.name} [{unit}]",
        tuple(layers),
        "Marks along the rising diagonal are biases that both samples share, marks off it are scatter (Youden 1959, "
        "from memory).",
        f"{len(pairs)} participants measured both samples.",
    )
