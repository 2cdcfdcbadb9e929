"""Intervals and p values of wells, one by one and for the largest pair."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stanch.verify.multiplicity import bonferroni, holm
from stanch.verify.records import Bounded
from stanch.verify.scales import Scale, shown
from stanch.verify.wells.fit import WellFit


def interval(value: float, se: float, df: float, alpha: float) -> Bounded:
    """A value with the interval of level 1 - 2 alpha."""
    from scipy import special

    half = float(special.stdtrit(df, 1 - alpha)) * se
    return Bounded(value, value - half, value + half, "", 1 - 2 * alpha)


def adjusted_p(p: list[float | None], adjust: str) -> list[float | None]:
    """P values adjusted for looking at all wells; as they are where one is missing."""
    known = [v for v in p if v is not None]
    if len(known) < len(p) or adjust == "none":
        return list(p)
    return list(bonferroni(known) if adjust == "bonferroni" else holm(known))


def largest_pair(
    fit: WellFit, names: NDArray[np.str_], scale: Scale, alpha: float, unit: str
) -> tuple[Bounded, tuple[str, str]]:
    """The two wells farthest apart."""
    a, b = int(np.argmax(fit.effects)), int(np.argmin(fit.effects))
    if a == b:
        a, b = 0, 1
    variance = fit.covariance[a, a] + fit.covariance[b, b] - 2 * fit.covariance[a, b]
    pairs = names.size * (names.size - 1) / 2
    # The larger of all differences was picked, so its interval allows for all pairs, both signs.
    found = interval(
        float(fit.effects[a] - fit.effects[b]), math.sqrt(max(float(variance), 0.0)), fit.df, alpha / pairs / 2
    )
    return shown(found, scale, unit), (str(names[a]), str(names[b]))
