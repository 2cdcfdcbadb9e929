"""Readings of one set of people: curves, areas, their comparison, cut-offs; the account."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from stanch.errors import InputError, UsageError
from stanch.verify.discrimination._common import (
    Chosen,
    accuracy_grids,
    at_least,
    counted,
    ordered,
    predictive,
    truth,
    without_others,
)
from stanch.verify.discrimination._grids import area_grid, contrast_grid, cutoff_grid, pair_grid
from stanch.verify.discrimination.accuracy import Accuracy
from stanch.verify.discrimination.area import Area, area
from stanch.verify.discrimination.compare import AreaContrasts, compare_paired_areas
from stanch.verify.discrimination.cutoff import (
    CutOff,
    CutOffUncertainty,
    choose_cutoff,
    cutoff_uncertainty,
    decided_positive,
)
from stanch.verify.discrimination.decisions import PairedDecisions, paired_decisions
from stanch.verify.discrimination.marks import Marks
from stanch.verify.discrimination.pictures import curve_picture, groups_picture, predictive_picture
from stanch.verify.discrimination.words import (
    AREA,
    COMPARISON,
    CUT_OFF,
    DECISION,
    NOT_A_PROBABILITY,
    PAIRED_DECISIONS,
    PREVALENCE,
    TREATMENT,
)
from stanch.verify.records import Account, Bounded, Verdict
from stanch.verify.table import Table, take

QUESTION = "How well does a reading tell two groups of people apart, and what does a cut-off do?"


def readings(
    table: Table,
    names: tuple[str, ...],
    who: tuple[str, str, str | None],
    chosen: Chosen,
    units: tuple[str, ...],
    settings: dict[str, Any],
) -> Account:
    """The account of one or several readings of the same people."""
    if chosen.rule == "given" and len(chosen.cutoff) != len(names):
        raise UsageError("option --cutoff", got=f"{len(chosen.cutoff)} numbers", allowed=f"{len(names)}, one a reading")
    taken = take(table, numbers=names, labels=(who[0],), censored="keep", treatment=TREATMENT)
    positive, rows = truth(taken, *who)
    found = ordered(taken, names, positive, rows, chosen)
    data = without_others(taken, rows, who[0])
    areas = {name: area(one, level=chosen.confidence, interval=chosen.interval) for name, one in found.items()}
    cutoffs, moved, failed = _cutoffs(found, chosen, dict(zip(names, units)))
    decided = {name: decided_positive(found[name], cut) for name, cut in cutoffs.items()}
    correct = {name: counted(flags, chosen) for name, flags in decided.items()}
    contrasts, why = _contrasts(found, chosen)
    sample = float(positive[rows].mean())
    shown, predicted = predictive(correct, chosen, sample)
    pairs = _decision_pairs(decided, chosen)
    first = names[0]
    return Account(
        protocol="discrimination",
        title="Discrimination",
        question=QUESTION,
        design=_design(found, chosen, who),
        data=data,
        verdicts=_verdicts(areas, correct, moved, chosen),
        grids=(
            area_grid(areas, found),
            *contrast_grid(contrasts, names),
            *cutoff_grid(cutoffs, moved, dict(zip(names, units))),
            *((*accuracy_grids(correct, _note(chosen)), shown) if correct else ()),
            *pair_grid({f"{a} / {b}, {group}": one for (a, b, group), one in pairs.items()}),
        ),
        pictures=(
            curve_picture(found, cutoffs, {n: _value(a.area) for n, a in areas.items()}, chosen.confidence),
            groups_picture(first, found[first], cutoffs.get(first), units[0]),
            *((predictive_picture(correct, chosen.prevalence, sample),) if correct else ()),
        ),
        definitions=(
            *AREA,
            *((COMPARISON,) if len(names) > 1 else ()),
            *CUT_OFF,
            *DECISION,
            *((PAIRED_DECISIONS,) if pairs else ()),
        ),
        settings=settings,
        numbers={
            "positives": int(positive[rows].sum()),
            "negatives": int((~positive[rows]).sum()),
            "prevalence_of_this_table": sample,
            "areas": areas,
            "contrasts": contrasts,
            "cutoffs": cutoffs,
            "cutoff_uncertainty": moved,
            "accuracy": correct,
            "predictive_values": predicted,
            "paired_decisions": {f"{a} / {b}, {group}": one for (a, b, group), one in pairs.items()},
        },
        warnings=_warnings(areas, cutoffs, found, chosen, [*failed, *([why] if why else [])]),
        seed=chosen.seed if moved else None,
    )


def _value(number: Bounded) -> float:
    assert number.value is not None
    return number.value


def _design(found: dict[str, Marks], chosen: Chosen, who: tuple[str, str, str | None]) -> tuple[str, ...]:
    one = next(iter(found.values()))
    sides = ", ".join(f"{name}: {m.direction} means positive" for name, m in found.items())
    said = [
        f"{one.positive.size} people classified {who[1]} by {who[0]} (positive), {one.negative.size} not (negative).",
        f"Direction as stated, never chosen by the data: {sides}.",
        f"Areas with ties counted one half, DeLong's variance, {chosen.interval} interval of "
        f"{100 * chosen.confidence:g} %.",
    ]
    if chosen.rule != "given":
        said.append(
            f"Cut-off chosen in the same people; {chosen.draws} bootstrap samples say how much that flatters it."
        )
    if len(found) > 1:
        said.append("Readings of the same people are compared as pairs.")
    return tuple(said)


def _note(chosen: Chosen) -> str:
    kind = "Exact binomial" if chosen.share_interval == "exact" else "Score"
    said = f"{kind} intervals."
    if chosen.rule != "given":
        said += " They take the cut-off as fixed although these people chose it; see the corrected values above."
    return said


def _cutoffs(
    found: dict[str, Marks], chosen: Chosen, units: dict[str, str]
) -> tuple[dict[str, CutOff], dict[str, CutOffUncertainty], list[str]]:
    cutoffs, moved, failed = {}, {}, []
    for k, (name, one) in enumerate(found.items()):
        given = chosen.cutoff[k] if chosen.rule == "given" else None
        try:
            cutoffs[name] = choose_cutoff(one, chosen.rule, wanted=chosen.wanted, given=given, placed=chosen.placed)
        except InputError as fault:
            if chosen.rule == "given" or "cut-off" not in fault.where:
                raise
            failed.append(f"{name} has no cut-off: {fault.got}.")
            continue
        if chosen.rule != "given" and chosen.draws:
            moved[name] = cutoff_uncertainty(
                one,
                chosen.rule,
                wanted=chosen.wanted,
                placed=chosen.placed,
                draws=chosen.draws,
                seed=chosen.seed,
                level=chosen.confidence,
                unit=units[name],
            )
    return cutoffs, moved, failed


def _contrasts(found: dict[str, Marks], chosen: Chosen) -> tuple[AreaContrasts | None, str]:
    if len(found) < 2:
        return None, ""
    one = next(iter(found.values()))
    if min(one.positive.size, one.negative.size) < 2:
        return None, "Areas were not compared: a group has a single member."
    return compare_paired_areas(list(found.values()), level=chosen.confidence), ""


def _decision_pairs(decided: dict[str, Any], chosen: Chosen) -> dict[tuple[str, str, str], PairedDecisions]:
    made = {}
    for a, b in combinations(decided, 2):
        for k, group in enumerate(("positive group", "negative group")):
            made[a, b, group] = paired_decisions(decided[a][k], decided[b][k], level=chosen.confidence)
    return made


def _verdicts(
    areas: dict[str, Area], correct: dict[str, Accuracy], moved: dict[str, CutOffUncertainty], chosen: Chosen
) -> tuple[Verdict, ...]:
    made = []
    for name, one in areas.items():
        made.append(at_least(f"{name} tells the groups apart", one.area, chosen.least_area, "area under the curve"))
        if name not in correct:
            continue
        own, far = correct[name], moved.get(name)
        for what, value, fair, least in (
            ("sensitivity", own.sensitivity, None if far is None else far.sensitivity, chosen.least_sensitivity),
            ("specificity", own.specificity, None if far is None else far.specificity, chosen.least_specificity),
        ):
            if least is not None:
                claim = f"{name} at its cut-off is good enough in {what}"
                made.append(at_least(claim, value if fair is None else _moved(value, fair), least, what))
    return tuple(made)


def _moved(value: Bounded, fair: float) -> Bounded:
    """A share and its interval, both moved by the correction for the choice of the cut-off."""
    by = fair - _value(value)
    ends = [None if end is None else min(max(end + by, 0.0), 1.0) for end in (value.low, value.high)]
    why = "Moved, with its interval, by the correction for a cut-off chosen in the same people."
    return Bounded(fair, ends[0], ends[1], value.unit, value.level, why)


FEW, LARGE = 100, 0.9
WALD = (
    "The Wald interval of an area is short where the area is large or people are few: where 95 % were stated it held "
    "the truth in 90 to 93 % of 2000 simulated studies of 20 to 100 people in either group with an area of 0.9, and in "
    "84 to 90 % with an area of 0.97. The logit interval is the default."
)


def _warnings(
    areas: dict[str, Area], cutoffs: dict[str, CutOff], found: dict[str, Marks], chosen: Chosen, more: list[str]
) -> tuple[str, ...]:
    said = [NOT_A_PROBABILITY, PREVALENCE]
    for name, one in areas.items():
        if _value(one.area) < 0.5:
            said.append(
                f"The area of {name} is below one half: the direction may be stated the wrong way round. Nothing was "
                "turned over."
            )
        if one.area.why:
            said.append(f"{name}: {one.area.why}")
        if chosen.interval == "wald" and (min(one.positives, one.negatives) < FEW or _value(one.area) > LARGE):
            said.append(WALD)
        if chosen.interval == "wald" and one.area.high is not None and (one.area.high > 1 or (one.area.low or 0) < 0):
            said.append(f"The Wald interval of {name} passes 0 or 1; choose the logit interval.")
        if found[name].recoded:
            said.append(f"{name}: {found[name].recoded} readings count as the common bound.")
    if cutoffs and chosen.rule != "given":
        said.append(
            "A cut-off chosen in these people must be tried in others before it is used; the corrected values take off "
            "part of what the choice flatters, not all of it."
        )
    if any(cut.tied > 1 for cut in cutoffs.values()):
        said.append("Several cuts are equally good; the one of greatest sensitivity was taken.")
    if min(min(one.positives, one.negatives) for one in areas.values()) < 10:
        said.append("A group has fewer than ten people: intervals are approximate.")
    return tuple(dict.fromkeys([*said, *more]))
