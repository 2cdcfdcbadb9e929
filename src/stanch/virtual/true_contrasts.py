"""The contrasts that an assay document defines, between curves that are known without error."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.estimate import Estimate
from stanch.readings.definitions import ContrastDefinition, Definitions
from stanch.readings.pair import gone, pair_problems, share_activator
from stanch.recording.records import Well
from stanch.virtual.course import Course
from stanch.virtual.true_readings import TrueCurve, early_modulus, true_curve, true_readings

__all__ = ["TrueWell", "at_base", "known_wells", "true_contrasts"]

Floats = NDArray[np.float64]

_SHORTEST = 1200.0  # least time between the two clot ages [s]
_AGE_STEP = 10.0  # spacing of the ages under the least-squares slope [s]
_FLOOR = 1e-3  # least modulus that enters a logarithm [Pa]
_DECLINE_UNIT = {"retention": "1", "excess_loss_rate": "1/s", "total_retention": "1", "shared_decline": "1"}


@dataclass(frozen=True)
class TrueWell:
    """One well without error.

    Parameters
    ----------
    well : Well
        What is in it, as the recording states it.
    curve : TrueCurve
    readings : mapping of str to Estimate
        From ``true_readings``.
    """

    well: Well
    curve: TrueCurve
    readings: Mapping[str, Estimate]


def known_wells(
    wells: Mapping[str, Well],
    courses: Mapping[str, Course],
    runs: Mapping[str, tuple[float, float]],
    definitions: Definitions,
    *,
    frequency: float | None = None,
) -> dict[str, TrueWell]:
    """What a perfect analysis would know of every well.

    Parameters
    ----------
    wells : mapping of str to Well
        What is in each, as the recording states it.
    courses : mapping of str to Course
        By well.
    runs : mapping of str to tuple of float
        First and last push since activation [s].
    definitions : Definitions
    frequency : float, optional
        As in ``true_readings`` [Hz].

    Returns
    -------
    dict of str to TrueWell
        By name.
    """
    begin, end = ({name: run[k] for name, run in runs.items()} for k in (0, 1))
    read = true_readings(courses, definitions, begin=begin, end=end, frequency=frequency)
    return {
        name: TrueWell(wells[name], true_curve(course, begin[name], end[name], frequency), read[name])
        for name, course in courses.items()
    }


def true_contrasts(
    wells: Mapping[str, TrueWell], contrasts: Sequence[ContrastDefinition], definitions: Definitions
) -> dict[str, Estimate]:
    """Every contrast of an assay document.

    Parameters
    ----------
    wells : mapping of str to TrueWell
        By name.
    contrasts : sequence of ContrastDefinition
    definitions : Definitions

    Returns
    -------
    dict of str to Estimate
        By name of the contrast: an exact value without interval, a bound, or why there is none [SI unit].
    """
    return {one.name: _contrast(one, wells, definitions) for one in contrasts}


def _unit(definition: ContrastDefinition, base: TrueWell | None) -> str:
    if definition.kind == "decline":
        return _DECLINE_UNIT[definition.report or "retention"]
    if definition.kind == "difference" and base is not None:
        return base.readings[str(definition.reading)].unit
    return "Pa" if definition.kind == "difference" else "1"


def _contrast(definition: ContrastDefinition, wells: Mapping[str, TrueWell], definitions: Definitions) -> Estimate:
    base, other = wells.get(definition.base), wells.get(definition.other)
    unit = _unit(definition, base)
    if base is None or other is None:
        absent = definition.base if base is None else definition.other
        return Estimate.unavailable(unit, f"Well {absent} is missing.")
    if definition.differs_in:
        problems = pair_problems(base.well, other.well, definition.differs_in)
        if problems:
            why = f"Refused: beside {definition.differs_in} the wells must be alike, but {'; '.join(problems)}."
            return Estimate.unavailable(unit, why)
    if definition.kind == "decline":
        return _decline(definition, base, other, definitions, unit)
    key = str(definition.reading)
    mine, yours = base.readings[key], other.readings[key]
    yours = at_base(key, base, other, definitions) or yours
    for found, name in ((mine, definition.base), (yours, definition.other)):
        if found.status == "unavailable":
            return Estimate.unavailable(unit, f"{key} of {name}: {found.why}")
    return _formed(definition, _ends(mine), _ends(yours), unit)


def at_base(key: str, base: TrueWell, other: TrueWell, definitions: Definitions) -> Estimate | None:
    """A reading of one well at the onset of another.

    Parameters
    ----------
    key : str
        Of the reading.
    base, other : TrueWell
    definitions : Definitions

    Returns
    -------
    Estimate or None
        Of `other`, an exact value or why there is none [SI unit]; None where each well is read at its own onset.
    """
    if key != "early_modulus" or not share_activator(base.well, other.well):
        return None
    onset = base.readings["onset"].value
    return early_modulus(other.curve, math.inf if onset is None else onset, definitions.hold)


Ends = tuple[float, float]
"""Least and greatest value that a number can have; equal where it is known."""


def _ends(found: Estimate) -> Ends:
    if found.status == "above":
        return (math.nan if found.low is None else found.low, math.inf)
    if found.status == "below":
        return (-math.inf, math.nan if found.high is None else found.high)
    value = math.nan if found.value is None else found.value
    return value, value


def _formed(definition: ContrastDefinition, mine: Ends, yours: Ends, unit: str) -> Estimate:
    """The number of `definition` from base (mine) and other (yours)."""
    if definition.block_fraction is not None:
        b = definition.block_fraction
        yours = ((yours[0] - (1 - b) * mine[1]) / b, (yours[1] - (1 - b) * mine[0]) / b)
    if definition.kind == "difference":
        if definition.report == "remainder":
            return _told(yours, unit)
        return _told((mine[0] - yours[1], mine[1] - yours[0]), unit)
    top, bottom = (mine, yours) if definition.kind == "ratio" and not definition.inverse else (yours, mine)
    if bottom[1] <= 0:
        return Estimate.unavailable(unit, "The denominator is zero.")
    # Times and moduli are not negative, so what is open downwards ends at zero.
    low = -math.inf if math.isinf(top[0]) or math.isinf(bottom[1]) else top[0] / bottom[1]
    high = math.inf if math.isinf(top[1]) or bottom[0] <= 0 else top[1] / bottom[0]
    return _told((low, high) if definition.kind == "ratio" else (1 - high, 1 - low), unit)


def _told(ends: Ends, unit: str) -> Estimate:
    low, high = ends
    if low == high:
        return Estimate(low, None, None, unit)
    why = "A reading that it rests on is known only as a bound."
    if math.isfinite(low):
        return Estimate(None, low, None, unit, "above", None, why)
    if math.isfinite(high):
        return Estimate(None, None, high, unit, "below", None, why)
    return Estimate.unavailable(unit, f"{why} It does not bound this number.")


def _decline(
    definition: ContrastDefinition, base: TrueWell, other: TrueWell, definitions: Definitions, unit: str
) -> Estimate:
    onsets = [side.readings["onset"].value for side in (base, other)]
    if onsets[0] is None or onsets[1] is None:
        return Estimate.unavailable(unit, "The onset of one of the wells is not known, so clot ages are not.")
    first = definitions.hold
    last = min(first + definitions.follow, base.curve.end - onsets[0], other.curve.end - onsets[1])
    if last - first < _SHORTEST - 1e-6:
        why = (
            f"The clot ages in common run to {max(last, 0.0) / 60:.1f} min; the comparison starts at "
            f"{first / 60:.1f} min and needs at least {_SHORTEST / 60:.0f} min."
        )
        return Estimate.unavailable(unit, why)
    ages = np.linspace(first, last, math.ceil((last - first) / _AGE_STEP) + 1)
    mine, yours = (
        np.log(np.maximum([side.curve.at(onset + age) for age in ages], _FLOOR))
        for side, onset in ((base, onsets[0]), (other, onsets[1]))
    )
    apart = mine - yours
    report = definition.report or "retention"
    if math.exp(mine[0]) < definitions.onset_modulus and report in ("retention", "excess_loss_rate"):
        return Estimate.unavailable(unit, gone(definition.base, first, definitions.onset_modulus))
    value = {
        "retention": math.exp(apart[-1] - apart[0]),
        "excess_loss_rate": -float(np.polynomial.polynomial.polyfit(ages - first, apart, 1)[1]),
        "total_retention": math.exp(apart[-1]),
        "shared_decline": 1.0 - math.exp(yours[-1] - yours[0]),
    }[report]
    return Estimate(value, None, None, unit)
