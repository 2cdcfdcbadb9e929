"""The result as plain data for readers: the only place where numbers are rounded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from stanch.estimate import Estimate
from stanch.findings.evaluate import UNAPPROVED
from stanch.findings.limits import beyond
from stanch.findings.records import Finding, QualitySign
from stanch.findings.rules import Numbers, settled
from stanch.pipeline import Result, WellResult
from stanch.quantities import UNITS
from stanch.readings.records import Contrast, Reading
from stanch.report.numbers import NumberView, number, percent
from stanch.report.surface import CAUTIONS, beside, contrast_surface, flag_words, label, moduli_are, reading_surface

if TYPE_CHECKING:
    from stanch.readings.assay_records import AssayDocument, Limit

__all__ = [
    "CONSEQUENCE_LABELS",
    "OUTCOME_LABELS",
    "ContrastView",
    "ExamplePush",
    "FindingView",
    "LimitView",
    "ReportView",
    "WellView",
    "view",
]

OUTCOME_LABELS = {
    "supports": "supports",
    "does_not_support": "does not support",
    "undecided": "left open",
    "suppressed": "not stated",
}
CONSEQUENCE_LABELS = {
    "flag": "flagged",
    "weight": "weighted down",
    "refuse_push": "pushes refused",
    "refuse_well": "well refused",
}


@dataclass(frozen=True)
class ExamplePush:
    """The raw echo of one push, for the report.

    Parameters
    ----------
    well : str
    index : int
        Of the push.
    echo : ndarray, shape (frame, sample)
        As recorded, pre-push frames included [counts].
    depth : ndarray, shape (sample,)
        Beam positions, 0 at the focus, positive away from the transducer [m].
    frame_time : ndarray, shape (frame,)
        From the start of the push [s].
    """

    well: str
    index: int
    echo: NDArray[np.generic]
    depth: NDArray[np.float64]
    frame_time: NDArray[np.float64]


@dataclass(frozen=True)
class LimitView:
    """A number against one of its limits."""

    of: str
    well: str
    kind: str
    limit: str
    number: NumberView
    below: str
    above: str
    source: str


@dataclass(frozen=True)
class ContrastView:
    """A contrast as a reader sees it."""

    number: NumberView
    kind: str
    reading: str
    base: str
    other: str
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class FindingView:
    """A finding as a reader sees it."""

    key: str
    group: str
    outcome: str
    outcome_label: str
    text: str
    probability: str
    evidence: tuple[tuple[str, str, str, str], ...]
    caution: str
    why: str
    depends_on: str
    approved: bool


@dataclass(frozen=True)
class WellView:
    """A well as a reader sees it."""

    name: str
    reagents: str
    starts_at: str
    pushes: str
    flags: tuple[tuple[str, int], ...]
    readings: tuple[NumberView, ...]
    problems: tuple[str, ...]
    not_checked: tuple[str, ...]


@dataclass(frozen=True)
class ReportView:
    """Everything a report prints, as text."""

    title: str
    demo: bool
    facts: tuple[tuple[str, str], ...]
    provenance: tuple[tuple[str, str], ...]
    unapproved: str
    findings: tuple[FindingView, ...]
    limits: tuple[LimitView, ...]
    contrasts: tuple[ContrastView, ...]
    wells: tuple[WellView, ...]
    quality: tuple[tuple[str, str, str, str], ...]
    not_assessed: tuple[str, ...]
    cannot_see: tuple[str, ...]
    cautions: tuple[str, ...]
    has_assay: bool
    stated: str


def view(result: Result) -> ReportView:
    """Turn a result into what a report prints.

    Parameters
    ----------
    result : Result

    Returns
    -------
    ReportView
    """
    assay = assay_of(result)
    demo = result.sample.demo or (assay is not None and assay.demo)
    ruled = [f for f in result.findings if f.group != "quality"]
    unapproved = UNAPPROVED if any(not f.approved for f in ruled) else ""
    return ReportView(
        title=result.sample.sample,
        demo=demo,
        facts=_facts(result),
        provenance=_provenance(result),
        unapproved=unapproved,
        findings=tuple(_finding(f) for f in result.findings),
        limits=_limits(result, assay),
        contrasts=tuple(_contrast(c) for one in result.contrasts for c in beside(one)),
        wells=tuple(_well(w) for w in result.wells),
        quality=tuple(_sign(s) for s in result.quality),
        not_assessed=result.not_assessed,
        cannot_see=result.cannot_see,
        cautions=CAUTIONS,
        has_assay=assay is not None,
        stated="" if result.frequency is None else f"moduli at {result.frequency:g} Hz",
    )


def assay_of(result: Result) -> AssayDocument | None:
    """The assay document the result was made with."""
    from stanch.readings.assay import load_assay

    if result.assay_text is None:
        return None
    return load_assay(result.assay_text, "assay document of the result")


def _facts(result: Result) -> tuple[tuple[str, str], ...]:
    s = result.sample

    def listed(items: tuple[str, ...] | None) -> str | None:
        return None if items is None else (", ".join(items) or "none")

    rows: list[tuple[str, str | None]] = [
        ("Role", s.role),
        ("Drawn", s.drawn_at),
        ("Received", s.received_at),
        ("Site", s.site),
        ("Tube", s.tube),
        ("Anticoagulant", s.anticoagulant),
        ("Phase", s.phase),
        ("Storage", s.storage),
        ("Haemolysis", s.haemolysis),
        ("Haematocrit", None if s.haematocrit is None else f"{s.haematocrit * 100:.3g} %"),
        ("Platelet count", None if s.platelets is None else f"{s.platelets / UNITS['10^9/L'].scale:.3g} 10⁹/L"),
        ("Fibrinogen", None if s.fibrinogen is None else f"{s.fibrinogen:.3g} g/L"),
        ("Drugs given", listed(s.drugs)),
        ("Products given", listed(s.products)),
    ]
    return tuple((name, "unknown" if value is None else value) for name, value in rows)


def _provenance(result: Result) -> tuple[tuple[str, str], ...]:
    assay = "none"
    if result.assay_name is not None:
        assay = f"{result.assay_name} ({result.assay_source})"
    state = result.state
    if state == "recording":
        state = "not closed: read to its last committed push"
    return (
        ("Recording", result.source),
        ("Identity (SHA-256)", result.identity),
        ("State", state),
        ("Assay document", assay),
        ("Assay SHA-256", result.assay_sha256 or "none"),
        ("Moduli", moduli_are(result.rheology, result.frequency)),
        ("Seed", str(result.seed)),
        ("Software", result.software),
        ("Created", result.created),
    )


def _finding(f: Finding) -> FindingView:
    evidence = tuple(
        (f"{label(e.of)} of {e.well}" if e.well else label(e.of), e.limit, percent(e.probability), e.source)
        for e in f.evidence
    )
    return FindingView(
        key=f.key,
        group=f.group,
        outcome=f.outcome,
        outcome_label=OUTCOME_LABELS[f.outcome],
        text=f.text,
        probability=percent(f.probability) if f.probability is not None or f.outcome == "undecided" else "",
        evidence=evidence,
        caution=f.caution,
        why=f.why,
        depends_on=", ".join(f.depends_on),
        approved=f.approved,
    )


def _limits(result: Result, assay: AssayDocument | None) -> tuple[LimitView, ...]:
    if assay is None:
        return ()
    readings = [w.readings for w in result.wells if w.readings is not None]
    numbers = Numbers.of_run(readings, result.contrasts, 0)
    rows = []
    for limit in assay.limits:
        found = _limited(result, limit)
        if found is None:
            continue
        shown, estimate = found
        rows.append(
            LimitView(
                shown,
                limit.well,
                limit.kind,
                limit.text,
                number(shown, estimate),
                _beyond(limit, numbers, "below"),
                _beyond(limit, numbers, "above"),
                limit.source,
            )
        )
    return tuple(rows)


def _limited(result: Result, limit: Limit) -> tuple[str, Estimate] | None:
    if limit.well:
        reading = reading_of(result.wells, limit.well, limit.of)
        return None if reading is None else (label(limit.of), reading_surface(reading))
    contrast = next((c for c in result.contrasts if c.name == limit.of), None)
    return None if contrast is None else (limit.of, contrast_surface(contrast))


def reading_of(wells: Sequence[WellResult], well: str, key: str) -> Reading | None:
    """A reading of a well, if there is one."""
    for one in wells:
        if one.well.name == well and one.readings is not None:
            return next((r for r in one.readings.readings if r.key == key), None)
    return None


def _beyond(limit: Limit, numbers: Numbers, side: Literal["below", "above"]) -> str:
    bound = limit.low if side == "below" else limit.high
    if bound is None:
        return ""
    found = numbers.find(limit.of, limit.well)
    return "unavailable" if isinstance(found, str) else percent(settled(beyond(found[1], bound, side, found[0])))


def _contrast(c: Contrast) -> ContrastView:
    return ContrastView(number(c.name, contrast_surface(c)), c.kind, label(c.key), c.base, c.other, c.warnings)


def _well(one: WellResult) -> WellView:
    well = one.well
    counts: dict[str, int] = {}
    pushes = "none"
    if one.moduli is not None:
        total, usable = int(one.moduli.push_time.size), int(one.moduli.usable.sum())
        pushes = f"{usable} of {total} usable"
        for bits in one.moduli.flags:
            for word in flag_words(int(bits)).split():
                counts[word] = counts.get(word, 0) + 1
    activator = "activator unknown" if well.activator is None else well.activator
    reagents = " + ".join([activator, *(a.name for a in well.additives)])
    readings = () if one.readings is None else one.readings.readings
    return WellView(
        well.name,
        reagents,
        one.kind,
        pushes,
        tuple(sorted(counts.items())),
        tuple(number(label(r.key), reading_surface(r)) for r in readings),
        one.problems,
        one.not_checked,
    )


def _sign(s: QualitySign) -> tuple[str, str, str, str]:
    return s.key.replace("_", " "), s.well or "whole run", CONSEQUENCE_LABELS[s.consequence], s.text
