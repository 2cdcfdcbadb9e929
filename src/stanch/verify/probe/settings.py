"""The same donors read with different push intervals and forces."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import Equivalence, outcome, ratio_paired, together
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded, Outcome
from stanch.verify.scales import edges, grouped, on_scale, shown
from stanch.verify.within import Change, change_along

__all__ = ["Probe", "Setting", "exposure", "probe_effect"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Setting:
    """One combination of push interval and force against the gentlest.

    Parameters
    ----------
    interval, force : float
        [unit].
    exposure : float
        [-].
    ratio : Equivalence or None
        Reading here over that of the same donors at the gentlest setting [-]; null for fewer than two pairs.
    donors : int
        Pairs.
    """

    interval: float
    force: float
    exposure: float
    ratio: Equivalence | None
    donors: int


@dataclass(frozen=True)
class Probe:
    """Effect of pushing on one reading.

    Parameters
    ----------
    gentlest : tuple of float
        Interval and force of the setting compared with [unit].
    settings : tuple of Setting
    trend : Change or None
        Of the logarithm of the reading along exposure, within donors; null where it cannot be fitted.
    slope : Bounded
        Change of the logarithm per unit of exposure [-].
    against_none : Bounded
        Reading at the setting in use over that expected without any pushing: the trend run down to exposure zero [-].
    outcome_settings, outcome_trend : str
        All settings equivalent to the gentlest; and the setting in use equivalent to none.
    donors, n : int
    """

    gentlest: tuple[float, float]
    settings: tuple[Setting, ...]
    trend: Change | None
    slope: Bounded
    against_none: Bounded
    outcome_settings: Outcome
    outcome_trend: Outcome
    donors: int
    n: int


def exposure(interval: ArrayLike, force: ArrayLike, *, measure: Literal["work", "sound"] = "work") -> Floats:
    """How much is done to the clot per unit of time, on a scale of its own.

    Parameters
    ----------
    interval : array_like, shape (n,)
        Time between pushes [unit].
    force : array_like, shape (n,)
        Of a push [unit].
    measure : str
        ``work``: pushes times force squared, as the elastic work of a push in a given clot goes. ``sound``: pushes
        times force, as the sound energy goes for pushes of one length.

    Returns
    -------
    ndarray, shape (n,)
        [unit].

    Notes
    -----
    Displacement is proportional to force, so the work force x displacement goes with its square; the radiation force
    is proportional to the intensity. Only ratios of exposures matter.
    """
    t, f = np.asarray(interval, dtype=np.float64), np.asarray(force, dtype=np.float64)
    bad = int((~(t > 0)).sum() + (~(f >= 0)).sum())
    if bad:
        raise InputError("push interval and force", got=f"{bad} values", allowed="intervals above 0, forces 0 or more")
    return np.asarray((f**2 if measure == "work" else f) / t, dtype=np.float64)


def probe_effect(
    reading: ArrayLike,
    donor: ArrayLike,
    interval: ArrayLike,
    force: ArrayLike,
    *,
    in_use: tuple[float, float] | None = None,
    margin: float | None = None,
    measure: Literal["work", "sound"] = "work",
    slopes: Literal["vary", "common"] = "vary",
    alpha: float = 0.05,
) -> Probe:
    """Effect of push interval and force on a reading of samples split between settings.

    Parameters
    ----------
    reading : array_like, shape (n,)
        Onset or plateau, above zero [unit].
    donor : array_like of str, shape (n,)
        Names; replicates of a donor at one setting are averaged as logarithms.
    interval, force : array_like, shape (n,)
        [unit].
    in_use : tuple of float, optional
        Interval and force of the assay [unit]; by default the setting of the largest exposure.
    margin : float, optional
        Largest ratio that does not matter, above 1 [-].
    measure, slopes : str
        See `exposure`; whether donors may respond differently.
    alpha : float
        Of each one-sided test [-].

    Returns
    -------
    Probe

    Raises
    ------
    InputError
        If there are fewer than two settings.
    """
    y = on_scale(checked(reading, "readings", least=4), "ratio", "readings")
    t, f = checked(interval, "push intervals"), checked(force, "push forces")
    names, who = grouped(donor)
    if not y.size == t.size == f.size == who.size:
        raise InputError("probe", got=f"{y.size}, {t.size}, {f.size}, {who.size}", allowed="equal numbers")
    pairs, place = np.unique(np.column_stack([t, f]), axis=0, return_inverse=True)
    place = place.reshape(-1)
    if pairs.shape[0] < 2:
        raise InputError("settings", got="one", allowed="two or more combinations of push interval and force")
    if pairs.shape[0] > 1000:
        raise InputError("settings", got=pairs.shape[0], allowed="at most 1000 combinations")
    dose = exposure(pairs[:, 0], pairs[:, 1], measure=measure)
    gentle = int(np.argmin(dose))
    cells = _cells(y, who, place, names.size, pairs.shape[0])
    found = tuple(
        _setting(cells, k, gentle, pairs, float(dose[k]), margin, alpha) for k in np.argsort(dose) if k != gentle
    )
    used = float(dose.max())
    if in_use is not None:
        used = float(exposure([in_use[0]], [in_use[1]], measure=measure)[0])
    trend, slope, bias, verdict = _trend(cells, dose, used, margin, slopes, alpha)
    return Probe(
        (float(pairs[gentle, 0]), float(pairs[gentle, 1])),
        found,
        trend,
        slope,
        bias,
        "no limit stated"
        if margin is None
        else together("undecided" if one.ratio is None else one.ratio.outcome for one in found),
        verdict,
        int(names.size),
        int(y.size),
    )


def _cells(y: Floats, who: NDArray[np.intp], place: NDArray[np.intp], donors: int, settings: int) -> Floats:
    """Mean logarithm of every donor at every setting, NaN where there is none."""
    at = who * settings + place
    number = np.bincount(at, minlength=donors * settings)
    total = np.bincount(at, y, minlength=donors * settings)
    mean = np.full(number.size, np.nan)
    mean[number > 0] = total[number > 0] / number[number > 0]
    return mean.reshape(donors, settings)


def _setting(
    cells: Floats, k: int, gentle: int, pairs: Floats, dose: float, margin: float | None, alpha: float
) -> Setting:
    both = ~np.isnan(cells[:, k]) & ~np.isnan(cells[:, gentle])
    count = int(both.sum())
    ratio = None
    if count >= 2:
        # A shift common to a pair keeps both exponentials within range and leaves their ratio as it is.
        first = np.zeros(count)
        ratio = ratio_paired(np.exp(first), np.exp(cells[both, k] - cells[both, gentle]), margin=margin, alpha=alpha)
    return Setting(float(pairs[k, 0]), float(pairs[k, 1]), dose, ratio, count)


def _trend(
    cells: Floats,
    dose: Floats,
    used: float,
    margin: float | None,
    slopes: Literal["vary", "common"],
    alpha: float,
) -> tuple[Change | None, Bounded, Bounded, Outcome]:
    who, at = np.nonzero(~np.isnan(cells))
    top = float(dose.max()) or 1.0
    try:
        trend = change_along(dose[at] / top, cells[who, at], who.astype(str), reference=0.0, slopes=slopes)
    except InputError as error:
        none = Bounded.missing(f"No trend: {error}")
        return None, none, none, "no limit stated" if margin is None else "undecided"
    raw = trend.at(used / top, level=1 - 2 * alpha)
    lower, upper = edges(margin, "ratio")
    slope = trend.slope(level=0.95)
    ends = [None if v is None else v / top for v in (slope.value, slope.low, slope.high)]
    if any(v is not None and not math.isfinite(v) for v in ends):
        ends = [None, None, None]
    why = "" if ends[0] is not None else "Too steep to write per unit of exposure."
    return trend, Bounded(ends[0], ends[1], ends[2], "", 0.95, why), shown(raw, "ratio"), outcome(raw, lower, upper)
