"""Platelets: activation by thrombin, and contraction that follows it in phases."""

from __future__ import annotations

from stanch.virtual.blood import plasma
from stanch.virtual.blood.records import Constant

__all__ = ["CONSTANTS", "pull"]

_CHATTERJEE = (
    "Chatterjee, Denney, Jing, Diamond 2010, PLoS Comput Biol 6:e1000950, doi 10.1371/journal.pcbi.1000950 "
    "(constants read in a public port of the model)"
)

HALF_THROMBIN = Constant("platelet_half_thrombin", 2.4279e-6, "mol/m^3", "published", _CHATTERJEE + ": 2.4279 nmol/L")
HILL = Constant("platelet_hill", 1.6123, "1", "published", _CHATTERJEE)
ACTIVATION = Constant("platelet_activation", 0.005, "1/s", "published", _CHATTERJEE + ": approach to the state H")
LAG_RATE = Constant(
    "contraction_lag_rate",
    1 / 30.0,
    "1/s",
    "calibrated",
    "First phase of contraction; that it has three phases with a rate constant each: Tutwiler et al. 2016, Blood "
    "127:149 (abstract). Set for a tenth of the contraction one to two minutes after the gel point",
)
PULL_RATE = Constant(
    "contraction_rate",
    1 / 60.0,
    "1/s",
    "calibrated",
    "Second, fast phase: set for most of the contraction within ten minutes",
)
CEILING = Constant(
    "platelet_ceiling",
    4.2,
    "1",
    "calibrated",
    "What normal platelets at 250 10^9/L add, over the fibrin modulus: total over fibrin 3 to 10 is the band; early "
    "modulus of a normal base well inside 450 to 1500 Pa",
)
COUNT_EXPONENT = Constant(
    "platelet_count_exponent",
    0.65,
    "1",
    "calibrated",
    "Exponent of the count in what platelets add; with the ceiling it gives the whole modulus an exponent of about 0.4 "
    "between 40 and 400 10^9/L (0.30 on a rheometer: Windberger et al. 2020, Molecules 25:3890), while few platelets "
    "still leave the early modulus of the base well below 450 Pa",
)
NORMAL_COUNT = next(c for c in plasma.CONSTANTS if c.key == "platelet_normal_count")
"""The same as where platelets carry the complexes of the cascade."""
RETRACTION_RATE = Constant(
    "retraction_rate",
    1 / 1800.0,
    "1/s",
    "calibrated",
    "Third, slow phase at normal pull: less than 15 % of shared decline in a normal well within the hour",
)
RETRACTION_LOSS = Constant(
    "retraction_loss",
    0.10,
    "1",
    "calibrated",
    "Logarithm of the modulus that complete retraction costs at the focus; serum leaving the clot lowers the "
    "elasticity beside it (Bernal et al. 2012, Acoustics, hal-00810824, abstract)",
)
RETRACTION_SHIFT = Constant(
    "retraction_shift", 6e-5, "m", "calibrated", "Sinking of the focus at complete retraction: tens of micrometres"
)
PLATELET_FORCE = Constant(
    "platelet_force", 34e-9, "N", "published", "Sun et al. 2022 (PMID 35059605, abstract): a single platelet, mean"
)
PLATELET_REACH = Constant(
    "platelet_reach",
    1e-5,
    "m",
    "choice",
    "Distance over which a platelet pulls fibres; count times force times reach is the contraction stress",
)
RELIEF_TIME = Constant(
    "detachment_relief_time", 60.0, "s", "choice", "Time in which tension is lost after the clot has let go of the wall"
)

CONSTANTS = (
    HALF_THROMBIN,
    HILL,
    ACTIVATION,
    LAG_RATE,
    PULL_RATE,
    CEILING,
    COUNT_EXPONENT,
    RETRACTION_RATE,
    RETRACTION_LOSS,
    RETRACTION_SHIFT,
    PLATELET_FORCE,
    PLATELET_REACH,
    RELIEF_TIME,
)


def pull(count: float, function: float, block_fraction: float) -> float:
    """Pull of fully contracted platelets over that of normal platelets at the normal count.

    Parameters
    ----------
    count : float
        Per volume of the well [1/m^3].
    function : float
        Over normal [-].
    block_fraction : float
        Share that a blocker takes away [-].

    Returns
    -------
    float
        [-].

    Examples
    --------
    >>> pull(250e12, 1.0, 0.0)
    1.0
    """
    share: float = (count / NORMAL_COUNT.value) ** COUNT_EXPONENT.value if count > 0 else 0.0
    return share * function * (1.0 - block_fraction)
