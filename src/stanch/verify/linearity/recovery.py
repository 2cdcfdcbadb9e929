"""Recovery: what was found at each level in percent of what should have been found."""

from __future__ import annotations

import math

import numpy as np

from stanch.errors import InputError
from stanch.verify.linearity.levels import Levels
from stanch.verify.records import Bounded

__all__ = ["recovery_of_mixtures", "recovery_of_values"]


def recovery_of_values(levels: Levels, *, confidence: float = 0.95) -> tuple[Bounded, ...]:
    """Recovery against assigned values.

    Parameters
    ----------
    levels : Levels
        Whose `x` are the assigned values, in the unit of the results.
    confidence : float
        Of each t interval, from the level's own readings [-].

    Returns
    -------
    tuple of Bounded
        [%].
    """
    made = []
    for x, mean, half in zip(levels.x, levels.mean, _halves(levels, confidence), strict=True):
        if x == 0:
            made.append(Bounded.missing("Recovery of zero has no meaning.", "%"))
        elif half is None:
            why = "A single reading has no interval."
            made.append(Bounded(float(100 * mean / x), unit="%", level=confidence, why=why))
        else:
            ends = sorted((100 * (mean - half) / x, 100 * (mean + half) / x))
            made.append(Bounded(float(100 * mean / x), float(ends[0]), float(ends[1]), "%", confidence))
    return tuple(made)


def recovery_of_mixtures(levels: Levels, *, confidence: float = 0.95) -> tuple[Bounded, ...]:
    """Recovery of mixtures against what the lowest and the highest level, mixed, should give.

    Parameters
    ----------
    levels : Levels
        Whose `x` are mixing ratios or relative concentrations [-].
    confidence : float
        Of each interval, to first order, with the pooled scatter of repeated readings [-].

    Returns
    -------
    tuple of Bounded
        [%]; none for the two ends, which are 100 % by construction.
    """
    from scipy import special

    share = (levels.x - levels.x[0]) / (levels.x[-1] - levels.x[0])
    due = levels.mean[0] * (1 - share) + levels.mean[-1] * share
    # Equal weights leave each.mass = n, so within / df is the variance of a reading of weight 1.
    variance = levels.within / levels.df / levels.mass if levels.df else np.zeros(levels.x.size)
    made = []
    for k, s in enumerate(share):
        if k in (0, levels.x.size - 1):
            made.append(Bounded.missing("One of the two ends the mixtures are judged by.", "%"))
            continue
        if due[k] == 0:
            made.append(Bounded.missing("Recovery of zero has no meaning.", "%"))
            continue
        ratio = float(levels.mean[k] / due[k])
        if not levels.df:
            why = "Without repeated readings there is no interval."
            made.append(Bounded(100 * ratio, unit="%", level=confidence, why=why))
            continue
        ends = variance[0] * (1 - s) ** 2 + variance[-1] * s**2
        half = float(special.stdtrit(levels.df, 0.5 + confidence / 2))
        half *= math.sqrt(float(variance[k] + ratio**2 * ends)) / abs(float(due[k]))
        made.append(Bounded(100 * ratio, 100 * (ratio - half), 100 * (ratio + half), "%", confidence))
    return tuple(made)


def _halves(levels: Levels, confidence: float) -> list[float | None]:
    from scipy import special

    if not 0 < confidence < 1:
        raise InputError("confidence", got=confidence, allowed="above 0 and below 1")
    return [
        float(special.stdtrit(n - 1, 0.5 + confidence / 2) * sd / math.sqrt(n)) if n > 1 else None
        for n, sd in zip(levels.n, levels.sd, strict=True)
    ]
