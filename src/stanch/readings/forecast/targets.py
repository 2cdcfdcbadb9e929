"""What is forecast, as numbers taken from whole curves; the same for sample paths and for a true curve."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stanch.readings import functionals
from stanch.readings.decline import SHORTEST
from stanch.readings.definitions import Definitions

__all__ = ["Retained", "early_modulus", "plateau", "retention"]

Floats = NDArray[np.float64]


def plateau(time: Floats, paths: Floats) -> Floats:
    """Highest two-minute mean by the end of the run, reached or still rising.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Even grid [s].
    paths : ndarray, shape (path, time)
        [Pa].

    Returns
    -------
    ndarray, shape (path,)
        [Pa].
    """
    return functionals.highest_mean(time, paths)[0]


def early_modulus(time: Floats, paths: Floats, definitions: Definitions) -> tuple[Floats, Floats]:
    """Modulus one hold after the own onset; 0 Pa where that time does not come within the run.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Even grid [s].
    paths : ndarray, shape (path, time)
        [Pa].
    definitions : Definitions

    Returns
    -------
    value : ndarray, shape (path,)
        [Pa].
    onset : ndarray, shape (path,)
        [s]; infinite where it does not come.
    """
    onset = functionals.onset(time, paths, definitions.onset_modulus, definitions.dwell)
    onset = np.where(onset == -np.inf, time[0], onset)
    value = functionals.at(time, paths, onset + definitions.hold)
    return np.where(np.isfinite(value), value, 0.0), onset


class Retained(NamedTuple):
    """Retention by path; NaN where the clot ages in common are too short [-], and the onsets [s]."""

    value: Floats
    without: Floats
    under: Floats


def retention(time: Floats, without: Floats, under: Floats, definitions: Definitions) -> Retained:
    """Retention of a pair of wells, each path by its own clot ages.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Even grid [s].
    without, under : ndarray, shape (path, time)
        Without and with the antifibrinolytic [Pa].
    definitions : Definitions

    Returns
    -------
    Retained
    """
    first, second = (early_modulus(time, paths, definitions)[1] for paths in (without, under))
    latest = np.maximum(first, second)
    set_ = np.isfinite(latest)
    last = np.where(set_, np.minimum(definitions.hold + definitions.follow, time[-1] - latest), 0.0)
    logs = []
    for paths, onset in ((without, first), (under, second)):
        for age in (definitions.hold, last):
            when = np.where(set_, onset, 0.0) + age
            logs.append(np.log(np.maximum(functionals.at(time, paths, when), 1e-3)))
    value = np.exp((logs[1] - logs[3]) - (logs[0] - logs[2]))
    long_enough = set_ & (last - definitions.hold >= SHORTEST - 1e-6)
    return Retained(np.where(long_enough, value, np.nan), first, second)
