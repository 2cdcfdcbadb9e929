"""The account of external quality rounds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.external.robust import Consensus, consensus
from stanch.verify.external.scores import e_n_score, verdicts, z_prime_score, z_score, zeta_score
from stanch.verify.intervals import share_interval
from stanch.verify.records import Account, Bounded, Cell, Column, Definition, Grid, Level, Picture, Points, Verdict
from stanch.verify.scales import MARKS, grouped, thinned
from stanch.verify.table import Table, Taken, take

Floats = NDArray[np.float64]
SHOWN = 100
STANDARD = "NIST Dataplot Reference Manual, scores after ISO 13528 (read); the standard itself was not read"
TREATMENT = {
    "refuse": "Scores need numbers: censored results are refused; --censored drop leaves them out.",
    "drop": "Censored results are left out and counted; the consensus of the rest is then biased towards them.",
}
DEFINITIONS = (
    Definition(
        "assigned value", "The value a result is held against: stated, or the consensus of the round.", STANDARD
    ),
    Definition("z", "(result − assigned value)/standard deviation for assessment.", STANDARD),
    Definition(
        "z′",
        "As z, with the standard uncertainty of the assigned value added in squares; for one above 0.3 sigma "
        "(from memory).",
        STANDARD,
    ),
    Definition("zeta", "(result − assigned value)/root of both standard uncertainties in squares.", STANDARD),
    Definition("E_n", "As zeta with expanded uncertainties; below 1 in size is wanted.", STANDARD),
    Definition(
        "algorithm A",
        "Mean and standard deviation of results pulled in to 1.5 robust standard deviations, iterated until both stay. "
        "The uncertainty of that mean is 1.25 standard deviations over the root of the number of results.",
        "ISO 13528:2015, Annex C, from memory; Huber's proposal 2",
    ),
    Definition(
        "criteria", "Beyond the first a warning, from the second on action; 2 and 3 unless stated otherwise.", STANDARD
    ),
)


@dataclass(frozen=True)
class _Group:
    name: str
    round: str
    sample: str
    rows: NDArray[np.intp]
    assigned: float
    uncertainty: float
    sigma: float
    found: Consensus | None


def scored(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Scores of every participant, and the history of one."""
    s = settings
    columns = [c for c in (s["result"], s["uncertainty"], s["expanded"], s["assigned"], s["assigned_uncertainty"]) if c]
    names = [c for c in (s["participant"], s["round"], s["sample"]) if c]
    taken = take(table, numbers=columns, labels=names, censored=s["censored"], treatment=TREATMENT[s["censored"]])
    groups = _groups(taken, s)
    scores = _scores(taken, groups, s)
    z = scores[s["score"]] if s["score"] in scores else scores["z"]
    call = verdicts(z, warn=s["warn"], act=s["act"])
    people, who = grouped(taken.labels[s["participant"]])
    own = None
    if s["own"]:
        if s["own"] not in people:
            raise InputError(
                "--own", got=s["own"], allowed="a name of the participants' column", do="Correct the name."
            )
        own = int(np.flatnonzero(people == s["own"])[0])
    warned = []
    if s["sigma"] is None and s["sigma_percent"] is None:
        warned.append(
            "Scores are held against the spread of each round itself: a round that scatters widely excuses its results."
        )
    wide = [g.name for g in groups if g.uncertainty > 0.3 * g.sigma]
    if wide and s["score"] == "z":
        warned.append(
            f"The uncertainty of the assigned value is above 0.3 sigma in {len(wide)} case(s), first {wide[0]}: see z′."
        )
    warned += [f"{g.name}: {g.found.note}" for g in groups if g.found is not None and g.found.note]
    return Account(
        protocol="external",
        title="External quality rounds",
        question=question,
        design=(
            f"{z.size} results of {people.size} participants in {len(groups)} sample(s) of "
            f"{len({g.round for g in groups})} round(s).",
            f"Assigned value: {_assigned_words(s)}. Standard deviation for assessment: {_sigma_words(s)}.",
            f"Warning beyond {s['warn']:g}, action from {s['act']:g} on.",
        ),
        data=taken.data,
        verdicts=_verdicts(scores, call, who, own, s),
        grids=(
            _round_grid(groups, s["unit"]),
            _score_grid(taken, groups, scores, call, who, people, own),
            _people_grid(z, call, who, people),
        ),
        pictures=_pictures(taken, groups, z, who, people, own, s),
        definitions=DEFINITIONS,
        settings=settings,
        numbers={
            "rounds": [
                {
                    "name": g.name,
                    "n": int(g.rows.size),
                    "assigned": g.assigned,
                    "assigned_uncertainty": g.uncertainty,
                    "sigma": g.sigma,
                    "consensus": None if g.found is None else vars(g.found),
                }
                for g in groups[:2000]
            ],
            "participants": people[who].tolist() if z.size <= 2000 else None,
            "scores": {k: v.tolist() for k, v in scores.items()} if z.size <= 2000 else None,
            "warnings": int((call == "warning").sum()),
            "actions": int((call == "action").sum()),
        },
        warnings=tuple(warned),
    )


def _assigned_words(s: dict[str, Any]) -> str:
    if s["assigned"]:
        return f"column {s['assigned']}"
    return f"stated, {s['assigned_value']:g}" if s["assigned_value"] is not None else f"consensus by {s['consensus']}"


def _sigma_words(s: dict[str, Any]) -> str:
    if s["sigma"] is not None:
        return f"stated, {s['sigma']:g} {s['unit']}".strip()
    if s["sigma_percent"] is not None:
        return f"{s['sigma_percent']:g} % of the assigned value"
    return "the spread of the round itself, which grows with its scatter"


def _groups(taken: Taken, s: dict[str, Any]) -> list[_Group]:
    if s["sigma"] is not None and s["sigma_percent"] is not None:
        raise UsageError("option --sigma", got="given with --sigma-percent", allowed="one of both")
    x = taken.numbers[s["result"]]
    rounds = taken.labels[s["round"]] if s["round"] else np.full(x.size, "")
    samples = taken.labels[s["sample"]] if s["sample"] else np.full(x.size, "")
    round_names, r = grouped(rounds)
    sample_names, q = grouped(samples)
    _, key = grouped(r * sample_names.size + q)
    order = np.argsort(key, kind="stable")
    made = []
    for rows in np.split(order, np.cumsum(np.bincount(key))[:-1]):
        round_, sample = str(round_names[r[rows[0]]]), str(sample_names[q[rows[0]]])
        name = ", ".join(v for v in (round_ and f"round {round_}", sample and f"sample {sample}") if v) or "the round"
        made.append(_group(name, round_, sample, rows, taken, s))
    return made


def _group(name: str, round_: str, sample: str, rows: NDArray[np.intp], taken: Taken, s: dict[str, Any]) -> _Group:
    x = taken.numbers[s["result"]][rows]
    stated = s["assigned"] is not None or s["assigned_value"] is not None
    found = None
    try:
        found = consensus(x, method=s["consensus"], exact=s["exact_constants"])
    except InputError as refused:
        if not stated or (s["sigma"] is None and s["sigma_percent"] is None):
            raise InputError(
                f"{name}: {refused.where}", got=refused.got, allowed=refused.allowed, do=refused.do
            ) from None
    assigned = _constant(taken, s["assigned"], rows, name, s["assigned_value"])
    uncertainty = _constant(taken, s["assigned_uncertainty"], rows, name, s["assigned_value_uncertainty"])
    if assigned is None:
        assert found is not None
        assigned = found.value
        uncertainty = found.uncertainty if uncertainty is None else uncertainty
    sigma = s["sigma"]
    if s["sigma_percent"] is not None:
        sigma = abs(assigned) * s["sigma_percent"] / 100
    if sigma is None:
        assert found is not None
        sigma = found.sd
    if not sigma > 0:
        raise InputError(
            f"{name}: standard deviation for assessment",
            got=sigma,
            allowed="above 0",
            do="State --sigma or --sigma-percent.",
        )
    return _Group(name, round_, sample, rows, float(assigned), float(uncertainty or 0.0), float(sigma), found)


def _constant(
    taken: Taken, column: str | None, rows: NDArray[np.intp], name: str, stated: float | None
) -> float | None:
    if column is None:
        return stated
    if stated is not None:
        raise UsageError(f"column {column}", got="given with a number", allowed="one of both")
    values = taken.numbers[column][rows]
    if values.min() != values.max():
        raise InputError(
            f"column {column}, {name}", got=(values.min(), values.max()), allowed="one value per round and sample"
        )
    return float(values[0])


def _scores(taken: Taken, groups: list[_Group], s: dict[str, Any]) -> dict[str, Floats]:
    x = taken.numbers[s["result"]]
    assigned, sigma, u = (np.empty(x.size) for _ in range(3))
    for g in groups:
        assigned[g.rows], sigma[g.rows], u[g.rows] = g.assigned, g.sigma, g.uncertainty
    made = {"z": z_score(x, assigned, sigma)}
    if bool((u > 0).any()):
        made["z-prime"] = z_prime_score(x, assigned, sigma, u)
    if s["uncertainty"]:
        made["zeta"] = zeta_score(x, assigned, taken.numbers[s["uncertainty"]], u)
    if s["expanded"]:
        made["en"] = e_n_score(x, assigned, taken.numbers[s["expanded"]], s["coverage_factor"] * u)
    if s["score"] not in made:
        need = {"z-prime": "an uncertainty of the assigned value", "zeta": "--uncertainty", "en": "--expanded"}[
            s["score"]
        ]
        raise UsageError("option --score", got=s["score"], allowed=f"with {need}", do="Give it or choose z.")
    return made


def _verdicts(
    scores: dict[str, Floats], call: NDArray[np.str_], who: NDArray[np.intp], own: int | None, s: dict[str, Any]
) -> tuple[Verdict, ...]:
    word = WORDS[s["score"]]
    if own is None:
        bad = int((call == "action").sum())
        share = share_interval(bad, call.size)
        return (
            Verdict(
                "No result of the rounds calls for action",
                share,
                f"no {word} of {s['act']:g} or beyond",
                "not met" if bad else "met",
                "Share of results that call for action, exact binomial interval; met when there is none.",
            ),
        )
    made = []
    for kind, values in scores.items():
        worst = float(np.abs(values[who == own]).max())
        limit = 1.0 if kind == "en" else s["act"]
        made.append(
            Verdict(
                f"{s['own']}: largest {WORDS[kind]} in size",
                Bounded(worst, unit="1"),
                f"below {limit:g}",
                "met" if worst < limit else "not met",
                "Met when every score of the participant is smaller in size than the criterion.",
            )
        )
    return tuple(made)


WORDS = {"z": "z", "z-prime": "z′", "zeta": "zeta", "en": "E_n"}


def _round_grid(groups: list[_Group], unit: str) -> Grid:
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


def _score_grid(
    taken: Taken,
    groups: list[_Group],
    scores: dict[str, Floats],
    call: NDArray[np.str_],
    who: NDArray[np.intp],
    people: NDArray[np.str_],
    own: int | None,
) -> Grid:
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


def _people_grid(z: Floats, call: NDArray[np.str_], who: NDArray[np.intp], people: NDArray[np.str_]) -> Grid:
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


def _pictures(
    taken: Taken,
    groups: list[_Group],
    z: Floats,
    who: NDArray[np.intp],
    people: NDArray[np.str_],
    own: int | None,
    s: dict[str, Any],
) -> tuple[Picture, ...]:
    made = [_last(groups[-1], z, who, people, own, s)]
    if len(groups) > 1:
        made.append(_history(groups, z, who, own, s))
    two = _two_samples(taken, groups, who, own, s)
    return (*made, two) if two else tuple(made)


def _criteria(s: dict[str, Any]) -> tuple[Level, ...]:
    act = [Level(sign * s["act"], "action") for sign in (-1, 1)]
    return (Level(0.0, kind="zero"), *(Level(sign * s["warn"], "warning", kind="warning") for sign in (-1, 1)), *act)


def _last(
    g: _Group, z: Floats, who: NDArray[np.intp], people: NDArray[np.str_], own: int | None, s: dict[str, Any]
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
        f"{int((np.abs(z[g.rows]) >= s['act']).sum())} of {order.size} results call for action.",
        x_names=tuple(str(people[who[i]]) for i in order) if few else (),
    )


def _history(groups: list[_Group], z: Floats, who: NDArray[np.intp], own: int | None, s: dict[str, Any]) -> Picture:
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
    taken: Taken, groups: list[_Group], who: NDArray[np.intp], own: int | None, s: dict[str, Any]
) -> Picture | None:
    by_round: dict[str, list[_Group]] = {}
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
