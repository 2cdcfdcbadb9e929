"""Tests of what the additive fit takes for granted: no differences at all, none by level, equal scatter."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.records import Bounded
from stanch.verify.scales import Scale, shown
from stanch.verify.wells._additive import additive
from stanch.verify.wells._compare import interval
from stanch.verify.wells.fit import WellFit

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]


def f_test(fit: WellFit, wells: int) -> tuple[float | None, float | None]:
    """No difference at all between wells."""
    from scipy import special

    if fit.rss == 0:
        return None, None
    inverse = np.linalg.pinv(fit.covariance, hermitian=True)
    f = float(fit.effects @ inverse @ fit.effects) / (wells - 1)
    return f, float(special.fdtrc(wells - 1, fit.df, f))


def interaction(
    y: Floats,
    s: Whole,
    r: Whole,
    w: Whole,
    at: Whole,
    wells: NDArray[np.str_],
    levels: NDArray[np.str_],
    plain: WellFit,
    scale: Scale,
    alpha: float,
    unit: str,
) -> tuple[float | None, float | None, dict[str, tuple[Bounded, ...]]]:
    """Bias that differs between levels, and every well's bias at every level."""
    from scipy import special

    if levels.size < 2:
        return None, None, {}
    if levels.size * wells.size > 2000:
        raise InputError("levels", got=levels.size, allowed=f"at most {2000 // wells.size} with {wells.size} wells")
    # Bias at each level: wells within a level are classes of their own.
    both = additive(y, s, r, w + wells.size * at, wells.size * levels.size)
    by_level: dict[str, tuple[Bounded, ...]] = {}
    for k, name in enumerate(levels):
        own = slice(k * wells.size, (k + 1) * wells.size)
        effects, covariance = both.effects[own], both.covariance[own, own]
        centre = np.eye(wells.size) - 1.0 / wells.size
        wanted = np.zeros((wells.size, both.effects.size))
        wanted[:, own] = centre
        seen = bool(np.abs(wanted @ both.seen - wanted).max() < 1e-7)
        effects, covariance = centre @ effects, centre @ covariance @ centre
        se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        by_level[str(name)] = tuple(
            shown(interval(float(e), float(d), both.df, alpha), scale, unit)
            if seen
            else Bounded.missing("The wells are not all compared at this level.", unit)
            for e, d in zip(effects, se)
        )
    extra = plain.df - both.df
    if extra < 1 or both.rss <= 0:
        return None, None, by_level
    f = max(plain.rss - both.rss, 0.0) / extra / (both.rss / both.df)
    return f, float(special.fdtrc(extra, both.df, f)), by_level


def homogeneity(fit: WellFit, w: Whole, wells: int) -> float | None:
    """Equal scatter in all wells."""
    from scipy import stats

    order = np.argsort(w, kind="stable")
    parts: list[Any] = np.split(fit.residuals[order], np.cumsum(np.bincount(w, minlength=wells))[:-1])
    if fit.rss == 0 or min(len(part) for part in parts) < 3:
        return None
    found = stats.levene(*parts, center="median")
    return float(found.pvalue) if math.isfinite(float(found.pvalue)) else None
