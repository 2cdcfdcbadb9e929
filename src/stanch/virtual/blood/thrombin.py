"""From a sample and a well to the course of its thrombin; wells with equal cascades share one solution."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.plasma import Plasma, plasma
from stanch.virtual.blood.records import Composition, Contents, ThrombinCourse

__all__ = ["thrombin_course", "thrombin_courses"]

Floats = NDArray[np.float64]


def thrombin_course(
    composition: Composition,
    contents: Contents,
    choices: Choices | None = None,
    *,
    duration: float = 3600.0,
    step: float = 2.0,
) -> ThrombinCourse:
    """Thrombin of one well.

    Parameters
    ----------
    composition : Composition
        The sample.
    contents : Contents
        The well.
    choices : Choices, optional
        What sources leave open; stated defaults otherwise.
    duration, step : float
        Length and spacing of the times [s].

    Returns
    -------
    ThrombinCourse
        Concentrations in the plasma of the well.

    Raises
    ------
    InputError
        If a choice or a time cannot be.
    StiffError
        If the cascade cannot be followed.
    """
    return thrombin_courses(composition, [contents], choices, duration=duration, step=step)[0]


def thrombin_courses(
    composition: Composition,
    wells: Sequence[Contents],
    choices: Choices | None = None,
    *,
    duration: float = 3600.0,
    step: float = 2.0,
) -> tuple[ThrombinCourse, ...]:
    """Thrombin of several wells of one sample.

    Parameters
    ----------
    composition : Composition
        The sample.
    wells : sequence of Contents
        What each well adds.
    choices : Choices, optional
        What sources leave open; stated defaults otherwise.
    duration, step : float
        Length and spacing of the times [s].

    Returns
    -------
    tuple of ThrombinCourse
        In the order of the wells; wells whose cascades start equal hold the same course.

    Raises
    ------
    InputError
        If a choice or a time cannot be.
    StiffError
        If a cascade cannot be followed.
    """
    chosen = Choices() if choices is None else choices
    solved: dict[tuple[bytes, bytes], ThrombinCourse] = {}
    courses = []
    for contents in wells:
        well = plasma(composition, contents, chosen)
        initial = well.network.initial(well.concentrations)
        constants = well.speed * well.network.constants(well.factors)
        key = (initial.tobytes(), constants.tobytes())
        if key not in solved:
            solved[key] = _solve(well, initial, constants, duration, step)
        courses.append(solved[key])
    return tuple(courses)


def _solve(well: Plasma, initial: Floats, constants: Floats, duration: float, step: float) -> ThrombinCourse:
    from stanch.virtual.blood.stiff import solve

    solution = solve(well.network, initial, duration=duration, step=step, constants=constants)
    courses = {name: np.maximum(solution[name], 0.0) for name in ("IIa", "mIIa", "Xa", "II", "IIa:AT", "mIIa:AT")}
    return ThrombinCourse(
        solution.time,
        courses["IIa"],
        courses["mIIa"],
        factor_xa=courses["Xa"],
        prothrombin=courses["II"],
        inhibited=courses["IIa:AT"] + courses["mIIa:AT"],
    )
