"""From a scenario to the course of the sample in each of its wells."""

from __future__ import annotations

import math

from stanch.virtual.course import Course
from stanch.virtual.faults import Dilution, temperature_steps
from stanch.virtual.gel import Gel
from stanch.virtual.growth import Growth
from stanch.virtual.pace import Pace, PacedCourse, pace_of
from stanch.virtual.scenario import Scenario

__all__ = ["sample_courses", "well_pace"]

_STEP = 2.0  # of the blood's course [s]


def sample_courses(scenario: Scenario) -> tuple[Course, ...]:
    """The course of every well's sample, with the faults that are in the sample itself.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    tuple of Course
        In the order of the wells.
    """
    found: list[Course | None] = [_growth(scenario, index) for index in range(len(scenario.well))]
    holding = [index for index, one in enumerate(found) if one is None]
    if holding:
        for index, course in zip(holding, _blood_courses(scenario, holding), strict=True):
            found[index] = course
    return tuple(course for course in found if course is not None)


def _growth(scenario: Scenario, index: int) -> Gel | Growth | None:
    table = scenario.well[index]
    if table.curve is None:
        return None
    growth: Gel | Growth = table.curve.record()
    for fault in scenario.fault:
        if isinstance(fault, Dilution) and fault.hits(table.name):
            growth = growth.diluted(fault.share)
    return growth


def _blood_courses(scenario: Scenario, holding: list[int]) -> tuple[Course, ...]:
    from stanch.virtual.blood.expect import courses

    contents = [one for one in (scenario.contents_record(i) for i in holding) if one is not None]
    assert scenario.blood is not None
    choices = scenario.blood.choice_record()
    paces = [well_pace(scenario, i, choices.q10) for i in holding]
    ends = [scenario.push_times(i)[-1] for i in holding]
    last = max(end if pace is None else float(pace.age(end)) for end, pace in zip(ends, paces, strict=True))
    made = courses(
        scenario.blood.record(),
        contents,
        choices,
        duration=_STEP * math.ceil(last / _STEP + 1),
        step=_STEP,
    )
    return tuple(one if pace is None else PacedCourse(one, pace) for one, pace in zip(made, paces, strict=True))


def well_pace(scenario: Scenario, index: int, q10: float) -> Pace | None:
    """The pace of the blood in a well whose block is off its temperature for a while.

    Parameters
    ----------
    scenario : Scenario
    index : int
        Of the well.
    q10 : float
        Factor on rates per 10 K [-].

    Returns
    -------
    Pace or None
        None where no fault shifts it.
    """
    table = scenario.well[index]
    return pace_of(temperature_steps(scenario.fault, table.name), q10, table.activated_after)
