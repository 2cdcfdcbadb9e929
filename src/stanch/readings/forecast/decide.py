"""When a finding could first have been made from forecasts, at what error, and how much earlier than by waiting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["Saved", "first_time", "minutes_saved"]

Floats = NDArray[np.float64]


def first_time(times: ArrayLike, probability: ArrayLike, minimum: float, *, hold: int = 1) -> tuple[float, bool] | None:
    """When a finding could first have been made or ruled out, and which.

    Parameters
    ----------
    times : array_like, shape (time,)
        At which forecasts were made, increasing [s].
    probability : array_like, shape (time,)
        Of the value lying beyond its limit; NaN where no forecast could be made [-].
    minimum : float
        Probability that a decision needs, above one half [-].
    hold : int
        How many forecasts in a row must agree [-].

    Returns
    -------
    tuple of (float, bool), or None
        Time of the forecast that decides [s] and whether the finding was made (True) or ruled out (False).

    Raises
    ------
    InputError
        If the probability asked for is not above one half and at most 1, or nothing must agree.

    Examples
    --------
    >>> first_time([60, 120, 180], [0.5, 0.97, 0.99], 0.95)
    (120.0, True)
    """
    if not 0.5 < minimum <= 1.0:
        raise InputError("minimum probability", got=minimum, allowed="above 0.5 and at most 1")
    if hold < 1:
        raise InputError("hold", got=hold, allowed="1 or more")
    t, p = np.asarray(times, dtype=float), np.asarray(probability, dtype=float)
    side = np.where(p >= minimum, 1, np.where(1.0 - p >= minimum, -1, 0))
    for k in range(hold - 1, t.size):
        last = side[k - hold + 1 : k + 1]
        if side[k] != 0 and (last == side[k]).all():
            return float(t[k]), bool(side[k] == 1)
    return None


@dataclass(frozen=True)
class Saved:
    """What deciding from forecasts gains over waiting for the ordinary reading, at no more errors.

    Parameters
    ----------
    minimum : float
        Least probability at which the share of wrong decisions is no higher than that of waiting [-].
    wrong, wrong_waiting : float
        Shares of wrong decisions among all samples [-].
    decided_early : float
        Share of samples decided before the ordinary reading [-].
    saved : ndarray, shape (sample,)
        Time gained; 0 where only the ordinary reading decides [s].
    """

    minimum: float
    wrong: float
    wrong_waiting: float
    decided_early: float
    saved: Floats


def minutes_saved(
    times: ArrayLike,
    probability: ArrayLike,
    truth: Sequence[bool],
    waited: Sequence[bool],
    ready: ArrayLike,
    *,
    hold: int = 2,
    minima: Sequence[float] = (0.8, 0.9, 0.95, 0.975, 0.99, 0.995, 0.999),
) -> Saved:
    """Compare deciding from forecasts with waiting, at no more wrong decisions.

    Parameters
    ----------
    times : array_like, shape (time,)
        At which forecasts were made [s].
    probability : array_like, shape (sample, time)
        Of a value beyond its limit; NaN where no forecast could be made [-].
    truth : sequence of bool
        Whether the true value lies beyond.
    waited : sequence of bool
        What the ordinary reading decides.
    ready : array_like, shape (sample,)
        When it does [s].
    hold : int
        How many forecasts in a row must agree [-].
    minima : sequence of float
        Probabilities tried, ascending; the first with no more wrong decisions than waiting is taken, else the last
        [-].

    Returns
    -------
    Saved
        A sample that no forecast decides before its ordinary reading is decided by that.

    Raises
    ------
    InputError
        If there is no sample.
    """
    table, when = np.asarray(probability, dtype=float), np.asarray(ready, dtype=float)
    right, slow = np.asarray(truth, dtype=bool), np.asarray(waited, dtype=bool)
    if right.size == 0:
        raise InputError("samples", got="none", allowed="at least one")
    wrong_waiting = float(np.mean(slow != right))
    found = None
    for minimum in minima:
        called, saved = slow.copy(), np.zeros(right.size)
        for k, row in enumerate(table):
            decision = first_time(times, row, minimum, hold=hold)
            if decision is not None and decision[0] < when[k]:
                saved[k], called[k] = when[k] - decision[0], decision[1]
        wrong = float(np.mean(called != right))
        found = Saved(minimum, wrong, wrong_waiting, float(np.mean(saved > 0)), saved)
        if wrong <= wrong_waiting:
            break
    assert found is not None
    return found
