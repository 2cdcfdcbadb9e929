"""What the quality signs are read from, and from which size a sign counts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from stanch.curve.records import Curve
from stanch.echo.records import Displacement
from stanch.mechanics.records import Moduli
from stanch.readings.assay_records import Limit
from stanch.recording.records import Geometry, Well

__all__ = ["Thresholds", "WellEvidence"]


class WellEvidence(Protocol):
    """What a stage has found out about one well; None where it could not run."""

    @property
    def well(self) -> Well:
        """The well as recorded."""

    @property
    def geometry(self) -> Geometry | None:
        """Its geometry."""

    @property
    def displacement(self) -> Displacement | None:
        """Of every push."""

    @property
    def moduli(self) -> Moduli | None:
        """Of every push."""

    @property
    def curve(self) -> Curve | None:
        """Over the run."""


@dataclass(frozen=True)
class Thresholds:
    """From which size a sign counts. Our own choices, but where a source is named; accept limits override them.

    Parameters
    ----------
    strain : float
        Peak displacement over push radius [-]. Fibrin stiffens above about 10 % strain (Shah & Janmey, Rheologica
        Acta 1997;36:262).
    bubble : float
        Echo energy of a depth bin over its neighbours [dB].
    bubble_refused : float
        Fraction of pushes with a bubble inside the gate from which the well is refused [-].
    silence : float
        Echo level of an end of the line below the median of the line, from which nothing is there [dB].
    coupling_weight, coupling_refuse : float
        Loss of echo energy against the pushes before, from which pushes are weighted down or refused [dB].
    mixing : float
        Difference in the time of setting between depth zones [s].
    sedimentation : float
        Drift of echo energy between the upper and lower half of the sample while liquid [dB].
    knock_window : float
        Bad pushes of different wells within this time count as one event [s].
    knock_chance : float
        Expected number of chance coincidences in the run from which coincidence is no longer taken as a sign [-].
    viscosity_spread : float
        Largest difference of liquid viscosity between a well and the median of the others [-].
    fill_flag, fill_refuse : float
        Filled height or volume over the planned one, below which a well is flagged or refused [-].
    clock_difference : float
        By which times of different clocks may contradict each other [s].
    significance : float
        Standard errors a trend or difference must exceed as well [-].
    sample_age : float or None
        Largest age of the sample at activation [s]; None: the laboratory sets none.
    temperature_low, temperature_high : float or None
        [K]; None: the laboratory sets none.
    sample_age_refuses, temperature_refuses : bool
        Whether the accept limit says refuse_well.
    """

    strain: float = 0.10
    bubble: float = 12.0
    bubble_refused: float = 0.5
    silence: float = 15.0
    coupling_weight: float = 6.0
    coupling_refuse: float = 12.0
    mixing: float = 60.0
    sedimentation: float = 1.0
    knock_window: float = 3.0
    knock_chance: float = 0.05
    viscosity_spread: float = 0.15
    fill_flag: float = 0.97
    fill_refuse: float = 0.90
    clock_difference: float = 120.0
    significance: float = 4.0
    sample_age: float | None = None
    temperature_low: float | None = None
    temperature_high: float | None = None
    sample_age_refuses: bool = False
    temperature_refuses: bool = False

    def with_accept_limits(self, limits: Iterable[Limit]) -> Thresholds:
        """The same, with the laboratory's accept limits in place."""
        changed = self
        for limit in limits:
            if limit.kind != "accept":
                continue
            refuses = limit.consequence == "refuse_well"
            if limit.of == "temperature":
                changed = replace(
                    changed, temperature_low=limit.low, temperature_high=limit.high, temperature_refuses=refuses
                )
            elif limit.of == "sample_age" and limit.high is not None:
                changed = replace(changed, sample_age=limit.high, sample_age_refuses=refuses)
            elif limit.of == "strain" and limit.high is not None:
                changed = replace(changed, strain=limit.high)
            elif limit.of == "viscosity_spread" and limit.high is not None:
                changed = replace(changed, viscosity_spread=limit.high)
            elif limit.of == "clock_difference" and limit.high is not None:
                changed = replace(changed, clock_difference=limit.high)
            elif limit.of == "fill" and limit.low is not None:
                edge = limit.low
                changed = replace(changed, fill_flag=edge, fill_refuse=edge if refuses else -math.inf)
        return changed
