"""Quality: every sign of a fault that a run can show, with its consequence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.findings.quality_facts import (
    clock_disagreement,
    expired_lots,
    sample_outside,
    stale_sample,
    temperature_outside,
    under_fill,
    unplanned_wells,
)
from stanch.findings.quality_knock import knock
from stanch.findings.quality_records import Thresholds, WellEvidence
from stanch.findings.quality_signals import (
    already_set,
    bubble,
    coupling_loss,
    poor_mixing,
    sedimentation,
    silent_end,
    strain,
    viscosity_disagreement,
)
from stanch.findings.records import QualitySign
from stanch.recording.records import SampleFacts

if TYPE_CHECKING:
    from stanch.readings.assay_records import AssayDocument

__all__ = ["Thresholds", "WellEvidence", "assess"]

Floats = NDArray[np.float64]


def assess(
    sample: SampleFacts,
    wells: Sequence[WellEvidence],
    *,
    temperatures: tuple[Floats, Floats] | None = None,
    started_at: str | None = None,
    assay: AssayDocument | None = None,
    now: str | None = None,
    thresholds: Thresholds | None = None,
) -> tuple[QualitySign, ...]:
    """Look for every quality fault.

    Parameters
    ----------
    sample : SampleFacts
    wells : sequence of WellEvidence
        What is known of each well; whatever is None is not looked at.
    temperatures : tuple of two ndarray, shape (time,)
        Time since `started_at` [s] and temperature of the well block [K].
    started_at, now : str or None
        UTC time with offset.
    assay : AssayDocument or None
        Its accept limits override the thresholds; its plan is compared with the wells.
    thresholds : Thresholds, optional
        From which a sign counts.

    Returns
    -------
    tuple of QualitySign
        Run-wide signs first, then well by well.
    """
    limits = (thresholds or Thresholds()).with_accept_limits(assay.limits if assay is not None else ())
    onset_modulus = assay.reading_definitions.onset_modulus if assay is not None else None
    signs: list[QualitySign] = []
    signs += clock_disagreement(sample, wells, started_at, now, limits)
    signs += stale_sample(sample, wells, started_at, limits)
    signs += sample_outside(sample, assay)
    signs += temperature_outside(wells, temperatures, started_at, onset_modulus, limits)
    signs += knock(wells, limits)
    signs += viscosity_disagreement(wells, limits)
    for one in wells:
        signs += unplanned_wells(one, assay)
        signs += expired_lots(one, started_at)
        signs += already_set(one, onset_modulus, limits)
        signs += strain(one, limits)
        bubbles = list(bubble(one, limits))
        silent = [] if bubbles else list(silent_end(one, limits))
        signs += list(under_fill(one, limits)) or silent
        signs += bubbles
        signs += coupling_loss(one, limits)
        if not bubbles and not silent:
            # Both are read from depths that a bubble or its shadow, or air, would take over.
            signs += poor_mixing(one, limits)
            signs += sedimentation(one, limits)
    return tuple(signs)
