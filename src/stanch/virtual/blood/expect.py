"""What every well of an assay is expected to do with a sample."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from stanch.errors import InputError
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import ClotCourse, clot_course
from stanch.virtual.blood.records import Composition, Contents
from stanch.virtual.blood.thrombin import thrombin_courses

__all__ = ["DEMO_WELLS", "courses"]

_SHARE = 160 / 172  # sample over final volume
_LOW, _HIGH = 5e-9, 50e-9
_NEUTRALISER = 5e6
_BLOCK, _ANTIFIBRINOLYTIC = 0.94, 0.98

DEMO_WELLS: Mapping[str, Contents] = MappingProxyType(
    {
        "low": Contents(tissue_factor=_LOW, blood_share=_SHARE),
        "low + neutraliser": Contents(tissue_factor=_LOW, neutraliser=_NEUTRALISER, blood_share=_SHARE),
        "base": Contents(tissue_factor=_HIGH, neutraliser=_NEUTRALISER, blood_share=_SHARE),
        "base + blocker": Contents(
            tissue_factor=_HIGH, neutraliser=_NEUTRALISER, block_fraction=_BLOCK, blood_share=_SHARE
        ),
        "base + antifibrinolytic": Contents(
            tissue_factor=_HIGH, neutraliser=_NEUTRALISER, antifibrinolytic=_ANTIFIBRINOLYTIC, blood_share=_SHARE
        ),
        "base + both": Contents(
            tissue_factor=_HIGH,
            neutraliser=_NEUTRALISER,
            block_fraction=_BLOCK,
            antifibrinolytic=_ANTIFIBRINOLYTIC,
            blood_share=_SHARE,
        ),
    }
)
"""Contents of the six wells of the demo assay, invented: tissue factor 5 and 50 pmol/L, neutraliser for 5 IU/mL,
a blocker that takes away 94 %, an antifibrinolytic that stops 98 %, 160 uL of blood in 172 uL."""


def courses(
    composition: Composition,
    wells: Sequence[Contents],
    choices: Choices | None = None,
    *,
    duration: float = 3600.0,
    step: float = 2.0,
) -> tuple[ClotCourse, ...]:
    """The course of every well.

    Parameters
    ----------
    composition : Composition
        Of the sample.
    wells : sequence of Contents
        What each well adds.
    choices : Choices, optional
        Where the literature leaves it open.
    duration : float
        Rounded up to a multiple of the step [s].
    step : float
        Of the grid on which thrombin and clot are tabulated [s].

    Returns
    -------
    tuple of ClotCourse
        In the order of `wells`; wells with equal cascades share the arrays of thrombin.

    Raises
    ------
    InputError
        If the duration is not longer than the step, or the step not positive.
    """
    if not 0 < step < duration < 1e6:
        raise InputError("step, duration", got=(step, duration), allowed="0 < step < duration < 1e6 s")
    choice = choices or Choices()
    whole = step * math.ceil(duration / step * (1 - 1e-12))
    thrombin = thrombin_courses(composition, wells, choice, duration=whole, step=step)
    return tuple(clot_course(composition, one, made, choice) for one, made in zip(wells, thrombin, strict=True))
