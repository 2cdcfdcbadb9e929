"""Findings: pair constraints first, then the rules in the order quality, heparin, factors, fibrin, platelets, lysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stanch.findings.limits import Truth, beyond, probability
from stanch.findings.records import Evidence, Finding, Outcome, QualitySign
from stanch.findings.rules import Numbers, Weighed, settled, weigh
from stanch.readings.assay_records import GROUPS, AssayDocument, PairConstraint, Rule
from stanch.readings.records import Contrast, WellReadings

__all__ = ["BROKEN", "CANNOT_SEE", "UNAPPROVED", "evaluate"]

Floats = NDArray[np.float64]

BROKEN = 0.95
"""A pair constraint counts as broken above this probability."""
PAIR_WORDS = "wells exchanged, or a reagent omitted or faulty"
UNAPPROVED = "unapproved rules"
CANNOT_SEE = (
    "Antiplatelet drugs.",
    "Von Willebrand factor and its function.",
    "The patient's body temperature.",
    "Ionised calcium.",
    "Some anticoagulants.",
)
"""Printed where the assay document says nothing of its own."""


def evaluate(
    assay: AssayDocument,
    wells: Sequence[WellReadings],
    contrasts: Sequence[Contrast],
    quality: Sequence[QualitySign],
    *,
    seed: int = 0,
) -> tuple[tuple[Finding, ...], tuple[str, ...], tuple[str, ...]]:
    """Say in words what the readings support.

    Parameters
    ----------
    assay : AssayDocument
    wells : sequence of WellReadings
        Of the wells that could be read.
    contrasts : sequence of Contrast
    quality : sequence of QualitySign
    seed : int
        Of the systematic part [-].

    Returns
    -------
    findings : tuple of Finding
        Pair constraints, refused wells, then the rules in the order of their groups.
    not_assessed : tuple of str
        What this run did not assess.
    cannot_see : tuple of str
        What this assay cannot see.
    """
    numbers = Numbers.of_run(wells, contrasts, seed)
    pairs = tuple(_pair(pair, numbers, assay, quality) for pair in assay.pairs)
    broken = tuple(p for p, f in zip(assay.pairs, pairs) if f.outcome == "supports")
    ruled: dict[str, Finding] = {}
    for rule in assay.rules:
        ruled[rule.key] = _finding(rule, assay, numbers, quality, broken, ruled)
    findings = (*pairs, *_refused(quality), *_without_contradictions(assay, ruled))
    return findings, _not_assessed(assay, wells, contrasts, findings), assay.cannot_see or CANNOT_SEE


def _pair_wells(pair: PairConstraint, assay: AssayDocument) -> frozenset[str]:
    if pair.not_above:
        return frozenset(pair.not_above)
    return frozenset(w for c in assay.contrasts if c.name == pair.contrast for w in (c.base, c.other))


def _pair_truth(pair: PairConstraint, numbers: Numbers) -> tuple[Truth | None, str, str]:
    """Whether the constraint is broken on each sample; in words; and why it could not be checked."""
    if pair.contrast:
        found = numbers.find(pair.contrast, "")
        words = f"{pair.contrast} above {pair.at_most_text}"
        if isinstance(found, str):
            return None, words, found
        return beyond(found[1], (pair.at_most or 0.0) + pair.tolerance, "above", found[0]), words, ""
    read = _two_wells(pair, numbers)
    words = f"{pair.reading} of {pair.not_above[0]} above that of {pair.not_above[1]}"
    if isinstance(read, str):
        return None, words, read
    low, high, anchor = read
    words += anchor
    margin = np.where(np.isfinite(high), np.abs(high), 0.0) * pair.tolerance if pair.relative else pair.tolerance
    # inf > inf is false: where both are not reached by the end, the constraint is not broken.
    holds = low > high + margin
    return Truth(holds, holds), words, ""


def _two_wells(pair: PairConstraint, numbers: Numbers) -> tuple[Floats, Floats, str] | str:
    """Joint samples of the two wells of a constraint and at which onset they are read; or why there are none."""
    lower, base = pair.not_above
    together = numbers.at_base(pair.reading, base, lower)
    if together is not None:
        return together[1], together[0], f", both at the onset of {base}"
    first, second = (numbers.find(pair.reading, well) for well in pair.not_above)
    if isinstance(first, str) or isinstance(second, str):
        return " ".join(x for x in (first, second) if isinstance(x, str))
    n = min(first[1].size, second[1].size)
    return first[1][:n], second[1][:n], ", each at its own onset" if pair.reading == "early_modulus" else ""


def _pair(pair: PairConstraint, numbers: Numbers, assay: AssayDocument, quality: Sequence[QualitySign]) -> Finding:
    key = f"pair: {pair.name}"
    wells = _pair_wells(pair, assay)
    truth, words, missing = _pair_truth(pair, numbers)
    why = missing or _refusal(wells, quality)
    of = pair.contrast or pair.reading
    if truth is None or why:
        text = f"The constraint of the {pair.name} was not checked."
        return Finding(key, text, None, (), "", True, why, group="quality", outcome="suppressed")
    chance = settled(truth)
    evidence = Evidence(of, "", words, chance, "constraint of the assay")
    outcome: Outcome
    if probability(truth.surely) > BROKEN:
        outcome = "supports"
        text = f"Supports a fault in the {pair.name}: {PAIR_WORDS}; no finding from that pair."
    elif probability(truth.possibly) <= BROKEN:
        outcome, text = "does_not_support", f"Does not support a fault in the {pair.name}."
    else:
        outcome, text = "undecided", f"Leaves open whether there is a fault in the {pair.name}."
    return Finding(key, text, chance, (evidence,), "", False, "", group="quality", outcome=outcome)


def _refusal(wells: frozenset[str], quality: Sequence[QualitySign]) -> str:
    """Why these wells may not be used; empty when they may."""
    bad = [s for s in quality if s.consequence == "refuse_well" and (not s.well or s.well in wells)]
    return " ".join(f"{f'The well {s.well}' if s.well else 'The run'} is refused: {s.text}" for s in bad)


def _refused(quality: Sequence[QualitySign]) -> tuple[Finding, ...]:
    return tuple(
        Finding(
            f"refused: {sign.well or 'run'}",
            f"Supports a fault of {f'the well {sign.well}' if sign.well else 'the run'}; no finding rests on it.",
            None,
            (Evidence(sign.key, sign.well, sign.text, None, "quality"),),
            "",
            False,
            "",
            group="quality",
            outcome="supports",
        )
        for sign in quality
        if sign.consequence == "refuse_well"
    )


def _rule_wells(rule: Rule, assay: AssayDocument) -> frozenset[str]:
    wells = {c.well for c in rule.conditions if c.well}
    names = {c.of for c in rule.conditions if not c.well}
    for contrast in assay.contrasts:
        if contrast.name in names:
            wells |= {contrast.base, contrast.other}
    return frozenset(wells)


def _finding(
    rule: Rule,
    assay: AssayDocument,
    numbers: Numbers,
    quality: Sequence[QualitySign],
    broken: tuple[PairConstraint, ...],
    earlier: dict[str, Finding],
) -> Finding:
    wells = _rule_wells(rule, assay)
    weighed = weigh(rule, assay, numbers)
    reasons = list(weighed.missing)
    refusal = _refusal(wells, quality)
    if refusal:
        reasons.append(refusal)
    cautions = [rule.caution] if rule.caution else []
    for pair in broken:
        shared = _pair_wells(pair, assay) & wells
        if shared == _pair_wells(pair, assay):
            reasons.append(f"The {pair.name} breaks its constraint: {PAIR_WORDS}.")
        elif shared:
            cautions.append(f"The well {', '.join(sorted(shared))} belongs to the {pair.name}, which is at fault.")
    for key in rule.depends_on:
        before = earlier.get(key)
        if before is None or before.suppressed:
            reasons.append(f"It depends on the finding {key}, which could not be stated.")
    if weighed.provisional:
        cautions.append("Provisional: the run may still change it.")
    return _worded(rule, weighed, tuple(reasons), " ".join(cautions))


def _worded(rule: Rule, weighed: Weighed, reasons: tuple[str, ...], caution: str) -> Finding:
    outcome: Outcome = "suppressed"
    chance, why = None, " ".join(reasons)
    text = f"No statement on {rule.about}."
    if weighed.truth is not None:
        chance = settled(weighed.truth)
    if weighed.truth is not None and not reasons:
        if probability(weighed.truth.surely) >= rule.minimum_probability:
            outcome, text = "supports", rule.text
        elif probability(weighed.truth.possibly) <= 1 - rule.minimum_probability:
            outcome, text = "does_not_support", rule.otherwise or f"Does not support {rule.about}."
        else:
            outcome, text = "undecided", f"Leaves {rule.about} open."
            if chance is None:
                why = "The run ended before the limit, so some of the probability is left open."
    return Finding(
        rule.key,
        text,
        chance,
        weighed.evidence,
        caution,
        outcome == "suppressed",
        why,
        rule.depends_on,
        rule.group,
        outcome,
        rule.approved,
    )


def _without_contradictions(assay: AssayDocument, ruled: dict[str, Finding]) -> tuple[Finding, ...]:
    """Suppress findings that cannot stand side by side, and then what depends on them."""
    clashes: dict[str, set[str]] = {}
    for rule in assay.rules:
        for other in rule.contradicts:
            if ruled[rule.key].outcome == "supports" and ruled[other].outcome == "supports":
                clashes.setdefault(rule.key, set()).add(other)
                clashes.setdefault(other, set()).add(rule.key)
    result: dict[str, Finding] = {}
    for rule in assay.rules:
        finding = ruled[rule.key]
        reasons = [f"It contradicts the finding {key}." for key in sorted(clashes.get(rule.key, ()))]
        reasons += [
            f"It depends on the finding {key}, which could not be stated."
            for key in rule.depends_on
            if result[key].suppressed and not ruled[key].suppressed
        ]
        if reasons and not finding.suppressed:
            text = f"No statement on {rule.about}."
            why = " ".join(reasons)
            finding = replace(finding, text=text, suppressed=True, outcome="suppressed", why=why)
        result[rule.key] = finding
    return tuple(result.values())


def _not_assessed(
    assay: AssayDocument, wells: Sequence[WellReadings], contrasts: Sequence[Contrast], findings: Sequence[Finding]
) -> tuple[str, ...]:
    read = {w.well for w in wells}
    lines = [f"The well {w.name}: missing or without readings." for w in assay.wells if w.name not in read]
    given = {c.name: c for c in contrasts}
    for planned in assay.contrasts:
        contrast = given.get(planned.name)
        if contrast is None:
            lines.append(f"{planned.name}: not computed.")
        elif contrast.estimate.status == "unavailable":
            lines.append(f"{planned.name}: {contrast.estimate.why}")
    lines += [f"{f.text} {f.why}" for f in findings if f.suppressed]
    rules = {rule.group for rule in assay.rules}
    lines += [f"This assay has no rule on {group}." for group in GROUPS[1:] if group not in rules]
    return tuple(dict.fromkeys((*lines, *assay.not_assessed)))
