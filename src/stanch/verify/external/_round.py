"""The account of external quality rounds."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.external._assess import groups_of, scores_of
from stanch.verify.external._grids import people_grid, round_grid, score_grid
from stanch.verify.external._pictures import pictures
from stanch.verify.external._words import DEFINITIONS, TREATMENT, WORDS, assigned_words, criteria_of, sigma_words
from stanch.verify.external.scores import verdicts
from stanch.verify.intervals import share_interval
from stanch.verify.records import Account, Bounded, Verdict
from stanch.verify.scales import grouped
from stanch.verify.table import Table, take
from stanch.verify.words import counted

Floats = NDArray[np.float64]


def scored(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Scores of every participant, and the history of one."""
    s = settings
    columns = [c for c in (s["result"], s["uncertainty"], s["expanded"], s["assigned"], s["assigned_uncertainty"]) if c]
    names = [c for c in (s["participant"], s["round"], s["sample"]) if c]
    taken = take(
        table,
        numbers=columns,
        labels=names,
        censored="drop" if s["censored"] == "leave-out" else "refuse",
        treatment=TREATMENT[s["censored"]],
    )
    groups = groups_of(taken, s)
    scores = scores_of(taken, groups, s)
    z = scores[s["score"]] if s["score"] in scores else scores["z"]
    warn, act = criteria_of(s)
    # E_n is a share of an expanded uncertainty: there is no room for a warning below 1.
    call = np.where(np.abs(z) >= act, "action", "accepted") if warn is None else verdicts(z, warn=warn, act=act)
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
            f"The uncertainty of the assigned value is above 0.3 sigma in {counted(len(wide), 'case')}, "
            f"first {wide[0]}: see z′."
        )
    warned += [f"{g.name}: {g.found.note}" for g in groups if g.found is not None and g.found.note]
    return Account(
        protocol="external",
        title="External quality rounds",
        question=question,
        design=(
            f"{z.size} results of {people.size} participants in {counted(len(groups), 'sample')} of "
            f"{counted(len({g.round for g in groups}), 'round')}.",
            f"Assigned value: {assigned_words(s)}. Standard deviation for assessment: {sigma_words(s)}.",
            f"{'' if warn is None else f'Warning beyond {warn:g}, '}action from {act:g} on.".capitalize(),
        ),
        data=taken.data,
        verdicts=_verdicts(scores, call, who, own, s),
        grids=(
            round_grid(groups, s["unit"]),
            score_grid(taken, groups, scores, call, who, people, own),
            people_grid(z, call, who, people),
        ),
        pictures=pictures(taken, groups, z, who, people, own, s),
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
                f"no {word} of {criteria_of(s)[1]:g} or beyond",
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
                f"Every {WORDS[kind]} of {s['own']} is small enough",
                Bounded(worst, unit="1"),
                f"below {limit:g}",
                "met" if worst < limit else "not met",
                "Met when every score of the participant is smaller in size than the criterion; the largest is shown.",
            )
        )
    return tuple(made)
