"""Onset, early modulus, plateau and its entry from curves given as plain numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked

__all__ = [
    "GROWTH_LIMIT",
    "PLATEAU_SHARE",
    "PLATEAU_WINDOW",
    "REST",
    "CurveReadings",
    "read_curve",
    "read_curves",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

PLATEAU_WINDOW = 120.0
"""Length of the mean whose highest value is the plateau [s]."""

PLATEAU_SHARE = 0.95
"""Share of the plateau at which it counts as entered [-]."""

REST = 600.0
"""How long a run must go on after the plateau, and the time over which growth is judged [s]."""

GROWTH_LIMIT = 0.02
"""Growth of ln G over that time below which the plateau counts as reached [-]."""


@dataclass(frozen=True)
class CurveReadings:
    """What was read from curves.

    Parameters
    ----------
    onset : ndarray, shape (curve,)
        ``-inf`` set before the first push, ``+inf`` never set [s].
    early : ndarray, shape (curve, hold)
        Modulus at onset + hold, NaN where there is none [Pa].
    plateau : ndarray, shape (curve,)
        Highest mean; NaN where the run is shorter than its window [Pa].
    plateau_open : ndarray of bool, shape (curve,)
        Still rising at the end: the plateau is at least that.
    entry : ndarray, shape (curve,)
        First time at 95 % of the plateau; the end of the run where that is still open [s].
    end : ndarray, shape (curve,)
        Last time [s].
    gap : ndarray, shape (curve,)
        Longest time between pushes [s].
    """

    onset: Floats
    early: Floats
    plateau: Floats
    plateau_open: Flags
    entry: Floats
    end: Floats
    gap: Floats


def read_curve(
    time: ArrayLike, modulus: ArrayLike, holds: ArrayLike, *, onset_modulus: float, dwell: float
) -> CurveReadings:
    """Read one curve; times need not be evenly spaced, the curve is straight between them.

    Parameters
    ----------
    time : array_like, shape (push,)
        Since activation, rising [s].
    modulus : array_like, shape (push,)
        [Pa].
    holds : array_like, shape (hold,)
        After onset [s].
    onset_modulus : float
        [Pa].
    dwell : float
        Time it must be kept [s].

    Returns
    -------
    CurveReadings
        Of one curve.

    Raises
    ------
    InputError
        If times do not rise or numbers are not finite.

    Notes
    -----
    Onset: first time at or above `onset_modulus` throughout the dwell. Plateau: highest 2-min mean of windows that
    begin at a push; reached when the run goes on for 10 min after it, or grew less than 2 % over its last 10 min.
    """
    t, g = checked(time, "time", least=2), checked(modulus, "modulus", least=2)
    if t.size != g.size or not (np.diff(t) > 0).all():
        raise InputError("time", got="times that do not rise, or another number of them", allowed="rising times")
    if not (onset_modulus > 0 and math.isfinite(onset_modulus)):
        raise InputError("onset modulus", got=onset_modulus, allowed="a number above 0 Pa")
    if not (dwell >= 0 and math.isfinite(dwell)):
        raise InputError("dwell", got=dwell, allowed="0 s or more")
    when = np.atleast_1d(np.asarray(holds, dtype=np.float64))
    onset = _onset(t, g, onset_modulus, dwell)
    at = onset + when
    early = np.full(when.size, np.nan)
    if math.isfinite(onset):
        inside = at <= t[-1] + 1e-6
        early[inside] = np.interp(at[inside], t, g)
    plateau, ends = _plateau(t, g)
    rising, entry = True, float(t[-1])
    if math.isfinite(plateau):
        flat = t[-1] - REST >= t[0] - 1e-6 and g[-1] <= float(np.interp(t[-1] - REST, t, g)) * math.exp(GROWTH_LIMIT)
        rising = not (t[-1] - ends >= REST or flat)
        entry = float(t[-1]) if rising else _reached(t, g, PLATEAU_SHARE * plateau)
    one = np.array
    return CurveReadings(
        one([onset]), early[None, :], one([plateau]), one([rising]), one([entry]), one([t[-1]]), one([np.diff(t).max()])
    )


def read_curves(
    curve: ArrayLike, time: ArrayLike, modulus: ArrayLike, holds: ArrayLike, *, onset_modulus: float, dwell: float
) -> CurveReadings:
    """Read all curves of a long table.

    Parameters
    ----------
    curve : array_like of int, shape (n,)
        Number of the curve each row belongs to, 0 .. curves - 1.
    time, modulus : array_like, shape (n,)
        [s] and [Pa], in any order.
    holds : array_like, shape (hold,)
        [s].
    onset_modulus, dwell : float
        [Pa] and [s].

    Returns
    -------
    CurveReadings

    Raises
    ------
    InputError
        If a curve has fewer than two times or one twice.
    """
    which = np.asarray(curve, dtype=np.intp)
    t, g = checked(time, "time"), checked(modulus, "modulus")
    if not which.size == t.size == g.size:
        raise InputError("curves", got=f"{which.size}, {t.size}, {g.size}", allowed="equal numbers")
    order = np.lexsort((t, which))
    which, t, g = which[order], t[order], g[order]
    start = np.flatnonzero(np.r_[True, np.diff(which) > 0])
    ends = np.r_[start[1:], which.size]
    if (ends - start < 2).any() or ((np.diff(t) <= 0) & (np.diff(which) == 0)).any():
        raise InputError(
            "curves", got="a curve with a single time, or one time twice", allowed="two or more different times each"
        )
    read = [read_curve(t[a:b], g[a:b], holds, onset_modulus=onset_modulus, dwell=dwell) for a, b in zip(start, ends)]
    names = ("onset", "early", "plateau", "plateau_open", "entry", "end", "gap")
    return CurveReadings(*(np.concatenate([getattr(one, name) for one in read]) for name in names))


def _onset(t: Floats, g: Floats, threshold: float, dwell: float) -> float:
    under = g < threshold
    last = np.maximum.accumulate(np.where(under, np.arange(t.size), -1))
    left = np.clip(last, 0, t.size - 2)
    low, high = g[left], g[left + 1]
    rise = np.where(high > low, high - low, 1.0)
    crossed = t[left] + (t[left + 1] - t[left]) * np.clip((threshold - low) / rise, 0.0, 1.0)
    crossed = np.where(last < 0, t[0], crossed)
    kept = np.flatnonzero(~under & (t - crossed >= dwell - 1e-9))
    if not kept.size:
        return math.inf
    return -math.inf if last[kept[0]] < 0 else float(crossed[kept[0]])


def _plateau(t: Floats, g: Floats) -> tuple[float, float]:
    """Highest mean and the end of its window [s]."""
    area = np.r_[0.0, np.cumsum(np.diff(t) * (g[1:] + g[:-1]) / 2)]
    stop = t + PLATEAU_WINDOW
    begins = np.flatnonzero(stop <= t[-1] + 1e-9)
    if not begins.size:
        return math.nan, math.nan
    stop = np.minimum(stop[begins], t[-1])
    at = np.clip(np.searchsorted(t, stop, side="right") - 1, 0, t.size - 2)
    far = np.interp(stop, t, g)
    means = (area[at] + (stop - t[at]) * (g[at] + far) / 2 - area[begins]) / PLATEAU_WINDOW
    best = int(np.argmax(means))
    return float(means[best]), float(t[begins[best]] + PLATEAU_WINDOW)


def _reached(t: Floats, g: Floats, level: float) -> float:
    k = int(np.argmax(g >= level))
    if k == 0:
        return float(t[0])
    return float(t[k - 1] + (t[k] - t[k - 1]) * (level - g[k - 1]) / (g[k] - g[k - 1]))
