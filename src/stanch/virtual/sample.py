"""From a scenario to the course of the sample in each of its wells."""

from __future__ import annotations

from stanch.virtual.course import Course
from stanch.virtual.faults import Dilution
from stanch.virtual.scenario import Scenario

__all__ = ["sample_courses"]


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
    return tuple(_grown(scenario, index) for index in range(len(scenario.well)))


def _grown(scenario: Scenario, index: int) -> Course:
    table = scenario.well[index]
    growth = table.curve.record()
    for fault in scenario.fault:
        if isinstance(fault, Dilution) and fault.hits(table.name):
            growth = growth.diluted(fault.share)
    return growth
