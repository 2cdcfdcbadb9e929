"""How far a result moves along a dose, a temperature or the age of the sample, and where that is too far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import outcome
from stanch.verify.groups import places
from stanch.verify.intervals import mean_interval
from stanch.verify.records import Bounded, Outcome
from stanch.verify.scales import Scale, edges, on_scale, shown
from stanch.verify.within import Change, Slopes, change_along

__all__ = ["DoseLevel", "DoseResponse", "dose_response"]

Floats = NDArray[np.float64]

LEVELS = 60
"""Different doses up to which each gets a mean of its own [-]."""


@dataclass(frozen=True)
class DoseLevel:
    """The change seen at one dose, without a model.

    Parameters
    ----------
    dose : float
        [unit].
    effect : Bounded
        Against the same samples at the reference [unit].
    samples : int
    """

    dose: float
    effect: Bounded
    samples: int


@dataclass(frozen=True)
class DoseResponse:
    """Change along a dose or a time.

    Parameters
    ----------
    change : Change
        The fit, on the working scale.
    slope : Bounded
        Change per unit of dose at the reference, working scale, 95 % [-].
    levels : tuple of DoseLevel
    tolerated_up, tolerated_down : Bounded or None
        Dose above and below the reference at which the allowed change is exceeded [unit]; the near end of the interval
        is the one-sided limit to state. Null when no limit was given or nothing was tested there.
    claimed : Bounded or None
        Effect at the claimed dose, with the interval that decides [unit].
    outcome : str
        Of the claim.
    misfit : float or None
        Largest difference between the curve and one of the next order over the tested range, working scale [unit].
    scale : str
    alpha : float
        [-].
    """

    change: Change
    slope: Bounded
    levels: tuple[DoseLevel, ...]
    tolerated_up: Bounded | None
    tolerated_down: Bounded | None
    claimed: Bounded | None
    outcome: Outcome
    misfit: float | None
    scale: str
    alpha: float


def dose_response(
    dose: ArrayLike,
    result: ArrayLike,
    sample: ArrayLike | None = None,
    *,
    allowed: float | None = None,
    scale: Scale = "difference",
    reference: float = 0.0,
    claim: float | None = None,
    order: int = 1,
    slopes: Literal["vary", "common"] | None = None,
    alpha: float = 0.05,
    unit: str = "",
) -> DoseResponse:
    """Fit the change along a dose within samples, and find where it exceeds what is allowed.

    Parameters
    ----------
    dose : array_like, shape (n,)
        Dose, temperature, dilution or time [unit].
    result : array_like, shape (n,)
        [unit].
    sample : array_like of str, shape (n,), optional
        Names of samples or donors.
    allowed : float, optional
        Largest change [unit] or ratio [-].
    scale : str
        ``difference`` or ``ratio``.
    reference : float
        Dose at which there is no effect [unit].
    claim : float, optional
        Dose at which the effect is claimed to be allowed [unit].
    order : int
        Of the polynomial, 1 to 3.
    slopes : str, optional
        ``vary`` or ``common``; by default ``vary`` where there are several samples.
    alpha : float
        Of each one-sided test [-].
    unit : str
        Of the results.

    Returns
    -------
    DoseResponse

    Raises
    ------
    InputError
        If the claimed dose was not tested or there is too little to fit.
    """
    x, y = np.asarray(dose, dtype=np.float64), on_scale(result, scale)
    several = sample is not None and np.unique(np.asarray(sample)).size > 1
    way: Slopes = slopes or ("vary" if several else "common")
    found = change_along(x, y, sample, reference=reference, order=order, slopes=way)
    lower, upper = edges(allowed, scale)
    level = 1 - 2 * alpha
    up = down = None
    if lower is not None and upper is not None:
        up = found.leaves(lower, upper, level=level) if found.high > reference else None
        down = found.leaves(lower, upper, level=level, towards="down") if found.low < reference else None
    claimed, verdict = None, outcome(Bounded.missing("no claim"), None, None)
    if claim is not None:
        if not found.low <= claim <= found.high:
            raise InputError(
                "claimed dose",
                got=claim,
                allowed=f"{found.low:g} to {found.high:g}, the tested range",
                do="A claim outside the tested range is not supported by the data.",
            )
        raw = _whole_way(found, claim, level)
        verdict = outcome(raw, lower, upper)
        claimed = shown(found.at(claim, level=level), scale, unit)
    return DoseResponse(
        found,
        found.slope(),
        _levels(x, y, sample, reference, scale, unit, level),
        up,
        down,
        claimed,
        verdict,
        _misfit(x, y, sample, found),
        scale,
        alpha,
    )


def _whole_way(found: Change, claim: float, level: float) -> Bounded:
    """The farthest the band goes between reference and claim: a claim holds for every dose up to it."""
    value, low, high = found.curve(np.linspace(found.reference, claim, 201), level=level)
    far = int(np.argmax(np.abs(value)))
    return Bounded(float(value[far]), float(low.min()), float(high.max()), "", level)


def _misfit(x: Floats, y: Floats, sample: ArrayLike | None, found: Change) -> float | None:
    if found.order >= 3:
        return None
    try:
        richer = change_along(x, y, sample, reference=found.reference, order=found.order + 1, slopes="common")
        plain = change_along(x, y, sample, reference=found.reference, order=found.order, slopes="common")
    except InputError:
        return None
    grid = np.linspace(found.low, found.high, 201)
    return float(np.abs(richer.curve(grid)[0] - plain.curve(grid)[0]).max())


def _levels(
    x: Floats, y: Floats, sample: ArrayLike | None, reference: float, scale: Scale, unit: str, level: float
) -> tuple[DoseLevel, ...]:
    doses, at = np.unique(x, return_inverse=True)
    if doses.size > LEVELS or reference not in doses:
        return ()
    names = places(sample, x.size)
    count = int(names.max()) + 1
    cell = at.reshape(-1) * count + names
    number = np.bincount(cell, minlength=doses.size * count).reshape(doses.size, count)
    total = np.bincount(cell, weights=y, minlength=doses.size * count).reshape(doses.size, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / number
    zero = int(np.searchsorted(doses, reference))
    found = []
    for k, value in enumerate(doses):
        change = (mean[k] - mean[zero])[(number[k] > 0) & (number[zero] > 0)]
        if k == zero or not change.size:
            continue
        found.append(DoseLevel(float(value), shown(mean_interval(change, level=level), scale, unit), int(change.size)))
    return tuple(found)
