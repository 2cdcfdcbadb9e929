"""Area under the receiver operating characteristic with DeLong's variance, in the time of one sort."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stanch.errors import InputError
from stanch.verify.discrimination.marks import Floats, Marks
from stanch.verify.records import Bounded

__all__ = ["Area", "AreaInterval", "area", "area_interval", "placements"]

AreaInterval = Literal["logit", "wald", "score"]


@dataclass(frozen=True)
class Area:
    """The probability that a positive person's reading lies further to the positive side than a negative person's.

    Parameters
    ----------
    area : Bounded
        Ties count one half [-].
    se : float or None
        DeLong's standard error [-]; null where a group has a single member.
    interval : str
        Which interval it is; ``score`` where DeLong's variance is zero or cannot be had.
    positives, negatives : int
    """

    area: Bounded
    se: float | None
    interval: AreaInterval
    positives: int
    negatives: int


def placements(found: Marks) -> tuple[Floats, Floats]:
    """For each person the share of the other group that lies on the expected side, ties one half.

    Parameters
    ----------
    found : Marks

    Returns
    -------
    tuple of ndarray
        Of the positive and of the negative group, in the order handed in [-].
    """
    levels = int(found.levels.size)
    positive = np.bincount(found.positive, minlength=levels)
    negative = np.bincount(found.negative, minlength=levels)
    negatives_under = (np.cumsum(negative) - negative + 0.5 * negative) / found.negative.size
    positives_over = (positive.sum() - np.cumsum(positive) + 0.5 * positive) / found.positive.size
    return negatives_under[found.positive], positives_over[found.negative]


def area(found: Marks, *, level: float = 0.95, interval: AreaInterval = "logit") -> Area:
    """Area under the curve with its interval.

    Parameters
    ----------
    found : Marks
    level : float
        [-].
    interval : str
        ``logit`` (stays between 0 and 1), ``wald`` (may pass 1), or ``score``.

    Returns
    -------
    Area
        With the score interval, and the reason, where DeLong's variance is zero or a group has a single member.

    Notes
    -----
    DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 44:837-845 (1988); from midranks as in Sun X, Xu W. IEEE Signal
    Process Lett 21:1389-1393 (2014), both from memory.
    """
    if interval not in ("logit", "wald", "score"):
        raise InputError("interval of the area", got=interval, allowed="logit, wald or score")
    v10, v01 = placements(found)
    m, n = int(v10.size), int(v01.size)
    value = float(v10.mean())
    se = math.sqrt(float(v10.var(ddof=1)) / m + float(v01.var(ddof=1)) / n) if min(m, n) > 1 else None
    used: AreaInterval = interval
    why = ""
    if interval != "score" and (se is None or se == 0 or not 0 < value < 1):
        used = "score"
        why = (
            "A group has a single member: no DeLong variance; the score interval stands in."
            if se is None
            else "DeLong's variance is zero here, which is not certainty; the score interval stands in."
        )
    low, high = area_interval(value, se, m, n, level=level, interval=used)
    return Area(Bounded(value, low, high, "1", level, why), se, used, m, n)


def area_interval(
    value: float, se: float | None, positives: int, negatives: int, *, level: float = 0.95, interval: AreaInterval
) -> tuple[float, float]:
    """Ends of the interval of an area.

    Parameters
    ----------
    value : float
        [-].
    se : float or None
        DeLong's standard error [-]; not used by ``score``.
    positives, negatives : int
        People in each group.
    level : float
        [-].
    interval : str
        ``logit``, ``wald`` or ``score``.

    Returns
    -------
    tuple of float
        [-].

    Raises
    ------
    InputError
        If the interval needs a standard error and there is none.

    Notes
    -----
    The score interval holds every area whose distance from the found one is within z standard errors that the area
    itself implies: Newcombe RG. Stat Med 25:559-573 (2006), his fifth method, from memory.
    """
    from scipy import optimize, special

    z = float(special.ndtri((1 + level) / 2))
    if interval == "score":
        middle = (positives + negatives) / 2 - 1

        def distance(t: float) -> float:
            curved = z * z * (1 + middle * ((1 - t) / (2 - t) + t / (1 + t))) / (positives * negatives)
            # At an area of 0 or 1 that value itself is a root; divided out, the other one is left.
            if value == 1:
                return 1 - t - t * curved
            if value == 0:
                return t - (1 - t) * curved
            return (value - t) ** 2 - t * (1 - t) * curved

        low = 0.0 if value == 0 else float(optimize.brentq(distance, 0.0, value, xtol=1e-14))
        high = 1.0 if value == 1 else float(optimize.brentq(distance, value, 1.0, xtol=1e-14))
        return low, high
    if se is None or not 0 < value < 1:
        raise InputError("interval of the area", got=interval, allowed="score where there is no standard error")
    if interval == "wald":
        return value - z * se, value + z * se
    middle, half = math.log(value / (1 - value)), z * se / (value * (1 - value))
    return float(special.expit(middle - half)), float(special.expit(middle + half))
