"""The decline of a clot compared by clot age with that of its twin under an antifibrinolytic.

With a the time since each well's own onset, ``Lambda(a) = ln g_A(a) - ln g_B(a)``. A constant gain error of either well
cancels in its change, and no plateau is needed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.readings import functionals

__all__ = ["AGE_STEP", "SHORTEST", "Decline", "decline"]

Floats = NDArray[np.float64]

SHORTEST = 1200.0
"""Least time between the two clot ages [s]."""

AGE_STEP = 10.0
"""Longest spacing of the ages over which the least-squares slope is taken [s]."""


@dataclass(frozen=True)
class Decline:
    """Decline of well A against well B, one value per joint path.

    Parameters
    ----------
    first, last : float
        The two clot ages [s].
    retention : ndarray, shape (path,)
        ``exp[Lambda(last) - Lambda(first)]`` [-]; 1 when the curves run parallel.
    excess_loss_rate : ndarray, shape (path,)
        Minus the least-squares slope of Lambda [1/s].
    total_retention : ndarray, shape (path,)
        ``exp Lambda(last)`` [-].
    shared_decline : ndarray, shape (path,)
        Loss of B from `first` to `last`, as a share of its modulus at `first` [-].
    gone : float
        Share of paths on which A was below `least` again at `first` [-]. Where it is large nothing was left to be
        retained, and only the total retention tells the loss.
    """

    first: float
    last: float
    retention: Floats
    excess_loss_rate: Floats
    total_retention: Floats
    shared_decline: Floats
    gone: float


def decline(
    without: tuple[Curve, Floats],
    under: tuple[Curve, Floats],
    hold: float,
    follow: float,
    *,
    least: float = 0.0,
    floor: float = 1e-3,
) -> Decline | str:
    """Compare the decline of two wells.

    Parameters
    ----------
    without, under : tuple of Curve and ndarray, shape (path,)
        The curve of A (without) and of B (under the antifibrinolytic), with the onset samples of each on the curve's
        own clock [s].
    hold, follow : float
        First clot age, and how much later the last one is at most [s].
    least : float
        Modulus below which A counts as gone [Pa].
    floor : float
        Least modulus that enters a logarithm [Pa].

    Returns
    -------
    Decline or str
        The reason where there is none.
    """
    ages = []
    for curve, onsets in (without, under):
        if onsets.size == 0 or float(np.mean(~np.isfinite(onsets))) > 0.025:
            return "The onset of one of the wells is not known, so clot ages are not."
        ages.append(float(curve.time[-1]) - float(np.quantile(onsets[np.isfinite(onsets)], 0.975)))
    first, last = hold, min(hold + follow, *ages)
    if last - first < SHORTEST - 1e-6:
        return (
            f"The clot ages in common run to {max(last, 0.0) / 60:.1f} min; "
            f"the comparison starts at {first / 60:.1f} min and needs at least {SHORTEST / 60:.0f} min."
        )
    grid = np.linspace(first, last, int(np.ceil((last - first) / AGE_STEP)) + 1)
    mine, yours = (_log_by_age(curve, onsets, grid, floor) for curve, onsets in (without, under))
    ratio = mine - yours
    centred = grid - grid.mean()
    slope = ratio @ centred / float(centred @ centred)
    return Decline(
        first,
        last,
        np.exp(ratio[:, -1] - ratio[:, 0]),
        -slope,
        np.exp(ratio[:, -1]),
        1.0 - np.exp(yours[:, -1] - yours[:, 0]),
        float(np.mean(mine[:, 0] < math.log(max(least, floor)))),
    )


def _log_by_age(curve: Curve, onsets: Floats, ages: Floats, floor: float) -> Floats:
    """ln g of each path at `ages` after its own onset, shape (path, age)."""
    known = np.isfinite(onsets)
    filled = np.where(known, onsets, float(np.median(onsets[known])))
    out = np.empty((filled.size, ages.size))
    for k, age in enumerate(ages):
        out[:, k] = functionals.at(curve.time, curve.paths, np.minimum(filled + age, curve.time[-1]))
    return np.asarray(np.log(np.maximum(out, floor)))
