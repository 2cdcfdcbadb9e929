"""What an assay would read of a virtual sample, without an echo and without error."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import UsageError
from stanch.estimate import Estimate
from stanch.findings.evaluate import evaluate
from stanch.findings.records import Finding
from stanch.readings.assay import load_assay
from stanch.readings.assay_records import AssayDocument, Limit
from stanch.readings.definitions import ContrastDefinition
from stanch.readings.records import Contrast, Reading, WellReadings
from stanch.recording.records import Well
from stanch.virtual.course import Course
from stanch.virtual.growth import Growth
from stanch.virtual.pace import PacedCourse
from stanch.virtual.sample import sample_courses
from stanch.virtual.scenario import Scenario, load_scenario
from stanch.virtual.simulate import assay_text
from stanch.virtual.true_contrasts import TrueWell, at_base, known_wells, true_contrasts
from stanch.virtual.true_readings import TrueCurve

__all__ = ["Beside", "Expectation", "ExpectedWell", "Place", "beside", "expect", "expectation_of", "lost"]

Floats = NDArray[np.float64]

Place = Literal["below", "inside", "above", "left open"]

# A statement that holds without error must pass any probability that a rule can ask for.
_SAMPLES = 100_000


@dataclass(frozen=True)
class Beside:
    """A number beside one of its limits.

    Parameters
    ----------
    limit : Limit
    place : str
        below, inside or above; "left open" where the number is a bound that does not say.
    """

    limit: Limit
    place: Place


@dataclass(frozen=True)
class ExpectedWell:
    """What is expected of one well.

    Parameters
    ----------
    well : Well
        As the recording would state it.
    curve : TrueCurve
    readings : WellReadings
        Exact values without interval, in SI units.
    start : float
        Start of gelation since activation [s]; infinite if it never comes.
    liquid_viscosity : float or None
        [Pa·s]; None for a gel.
    lost : mapping of str to float
        By cause, the share of the modulus that it has taken by the end of the run [-].
    """

    well: Well
    curve: TrueCurve
    readings: WellReadings
    start: float
    liquid_viscosity: float | None
    lost: Mapping[str, float]


@dataclass(frozen=True)
class Expectation:
    """What an assay would read of a virtual sample.

    Parameters
    ----------
    scenario : Scenario
    assay : AssayDocument
    wells : tuple of ExpectedWell
    contrasts : tuple of Contrast
        Exact values without interval, in SI units.
    findings : tuple of Finding
        What the rules of the assay say of these numbers; their probabilities mean nothing here.
    not_assessed, cannot_see : tuple of str
        What the assay would not assess of this sample, and what it cannot see.
    """

    scenario: Scenario
    assay: AssayDocument
    wells: tuple[ExpectedWell, ...]
    contrasts: tuple[Contrast, ...]
    findings: tuple[Finding, ...]
    not_assessed: tuple[str, ...]
    cannot_see: tuple[str, ...]

    def beside(self, of: str, well: str = "") -> tuple[Beside, ...]:
        """A reading of a well, or a contrast, beside each of its limits; none where there is no number."""
        if well:
            found = next(w.readings[of].estimate for w in self.wells if w.well.name == well)
        else:
            found = next(c.estimate for c in self.contrasts if c.name == of)
        if found.status == "unavailable":
            return ()
        return tuple(Beside(limit, beside(found, limit)) for limit in self.assay.limits_of(of, well))


def expect(scenario: Scenario | Path | str, assay: AssayDocument | None = None) -> Expectation:
    """Work out what an assay would read of the sample of a scenario.

    Parameters
    ----------
    scenario : Scenario, path or str
        The scenario, the name of its document, or the document's text.
    assay : AssayDocument, optional
        By default the one that the scenario names.

    Returns
    -------
    Expectation

    Raises
    ------
    DocumentError
        If one of the documents cannot be used, or the assay speaks of none of the wells.
    UsageError
        If there is no assay document.
    """
    if not isinstance(scenario, Scenario):
        scenario = load_scenario(scenario)
    if assay is None:
        text = assay_text(scenario)
        if text is None:
            raise UsageError("assay", got="none", allowed="an assay document", do="Name one: --assay FILE.")
        assay = load_assay(text, str(scenario.assay))
    courses = sample_courses(scenario)
    names = [table.name for table in scenario.well]
    assay.check_wells(names)
    wells = {name: scenario.well_record(i) for i, name in enumerate(names)}
    times = {name: scenario.push_times(i) for i, name in enumerate(names)}
    return expectation_of(
        scenario,
        assay,
        wells,
        dict(zip(names, courses, strict=True)),
        {name: (t[0], t[-1]) for name, t in times.items()},
    )


def expectation_of(
    scenario: Scenario,
    assay: AssayDocument,
    wells: Mapping[str, Well],
    courses: Mapping[str, Course],
    runs: Mapping[str, tuple[float, float]],
) -> Expectation:
    """Read the courses of a scenario's wells as an assay document says.

    Parameters
    ----------
    scenario : Scenario
    assay : AssayDocument
    wells : mapping of str to Well
    courses : mapping of str to Course
    runs : mapping of str to tuple of float
        First and last push since activation [s].

    Returns
    -------
    Expectation
    """
    known = known_wells(wells, courses, runs, assay.definitions(), frequency=assay.settings.stated_frequency)
    contrasts = _contrasts(assay, known)
    expected = tuple(_well(known[name], courses[name]) for name in courses)
    findings, not_assessed, cannot_see = evaluate(assay, [w.readings for w in expected], contrasts, ())
    return Expectation(scenario, assay, expected, contrasts, findings, not_assessed, cannot_see)


def _well(known: TrueWell, course: Course) -> ExpectedWell:
    readings = tuple(Reading(key, one, _samples(one)) for key, one in known.readings.items())
    liquid = float(course.viscosity(0.0)) if course.start > 0 else None
    end = known.curve.end
    return ExpectedWell(
        known.well, known.curve, WellReadings(known.well.name, readings), course.start, liquid, lost(course, end)
    )


def _samples(found: Estimate) -> Floats:
    """The same number many times, as the findings stage takes numbers."""
    value = {"above": math.inf, "below": -math.inf}.get(found.status, found.value)
    return np.full(0 if value is None else _SAMPLES, value, dtype=float)


def _contrasts(assay: AssayDocument, known: Mapping[str, TrueWell]) -> tuple[Contrast, ...]:
    found = true_contrasts(known, assay.contrasts, assay.definitions())
    made = []
    for one in assay.contrasts:
        key = (one.report or "retention") if one.kind == "decline" else str(one.reading)
        estimate = found[one.name]
        made.append(
            Contrast(
                one.name,
                one.kind,
                key,
                one.base,
                one.other,
                estimate,
                _samples(estimate),
                at_base=_at_base(one, known, assay),
            )
        )
    return tuple(made)


def _at_base(
    definition: ContrastDefinition, known: Mapping[str, TrueWell], assay: AssayDocument
) -> tuple[Floats, Floats] | None:
    """Samples of both wells at the base well's onset, where a contrast reads them so."""
    base, other = known.get(definition.base), known.get(definition.other)
    if base is None or other is None:
        return None
    key = str(definition.reading)
    there = at_base(key, base, other, assay.definitions())
    if there is None or "unavailable" in (there.status, base.readings[key].status):
        return None
    return _samples(base.readings[key]), _samples(there)


def beside(found: Estimate, limit: Limit) -> Place:
    """Where a number without error lies against a limit.

    Parameters
    ----------
    found : Estimate
        A value or a bound [SI unit].
    limit : Limit

    Returns
    -------
    str
        below, inside, above or "left open".
    """
    least = found.low if found.value is None else found.value
    most = found.high if found.value is None else found.value
    if least is not None and limit.high is not None and (least > limit.high or (least == limit.high and most is None)):
        return "above"
    if most is not None and limit.low is not None and (most < limit.low or (most == limit.low and least is None)):
        return "below"
    inside_low = limit.low is None or (least is not None and least >= limit.low)
    inside_high = limit.high is None or (most is not None and most <= limit.high)
    return "inside" if inside_low and inside_high else "left open"


def lost(course: Course, time: float) -> dict[str, float]:
    """What each cause of decline has taken of the modulus.

    Parameters
    ----------
    course : Course
    time : float
        Since activation [s].

    Returns
    -------
    dict of str to float
        lysis, and retraction and detachment where the course tells them apart [-].
    """
    from stanch.virtual.blood.clot import ClotCourse

    if isinstance(course, PacedCourse):
        return lost(course.course, float(course.pace.age(time)))
    left = {"lysis": float(course.kept(time))}
    if isinstance(course, Growth):
        left["retraction"] = float(course.retracted(time))
    elif isinstance(course, ClotCourse):
        left["retraction"] = float(np.interp(time, course.time, course.retraction))
        left["detachment"] = float(np.interp(time, course.time, course.detachment))
    return {cause: 1.0 - share for cause, share in left.items()}
