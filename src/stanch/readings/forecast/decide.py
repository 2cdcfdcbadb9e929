"""When a finding could first have been made from forecasts, at what error, and how much earlier than by waiting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["Saved", "decided", "first_time", "least_probability"]

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
    """What deciding from forecasts gains over waiting for the ordinary reading, and how often it is wrong.

    Parameters
    ----------
    minimum : float
        Probability that a decision needed [-].
    wrong, wrong_waiting : ndarray of bool, shape (sample,)
        Whether the decision of forecasts, and that of waiting, is wrong.
    saved : ndarray, shape (sample,)
        Time gained; 0 where only the ordinary reading decides [s].
    """

    minimum: float
    wrong: NDArray[np.bool_]
    wrong_waiting: NDArray[np.bool_]
    saved: Floats


def decided(
    times: ArrayLike,
    probability: ArrayLike,
    truth: Sequence[bool],
    waited: Sequence[bool],
    ready: ArrayLike,
    minimum: float,
    *,
    hold: int = 2,
) -> Saved:
    """Decide every sample from its forecasts, or else from its ordinary reading.

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
    minimum : float
        Probability that a decision needs, above one half [-].
    hold : int
        How many forecasts in a row must agree [-].

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
    called, saved = slow.copy(), np.zeros(right.size)
    for k, row in enumerate(table):
        decision = first_time(times, row, minimum, hold=hold)
        if decision is not None and decision[0] < when[k]:
            saved[k], called[k] = when[k] - decision[0], decision[1]
    return Saved(minimum, called != right, slow != right, saved)


def least_probability(
    times: ArrayLike,
    probability: ArrayLike,
    truth: Sequence[bool],
    waited: Sequence[bool],
    ready: ArrayLike,
    *,
    hold: int = 2,
    minima: Sequence[float] = (0.8, 0.9, 0.95, 0.975, 0.99, 0.995, 0.999),
) -> float:
    """The least probability at which forecasts decide wrongly no more often than waiting does.

    It must be judged on other samples than those it was chosen on.

    Parameters
    ----------
    times, probability, truth, waited, ready
        As in :func:`decided`.
    hold : int
        How many forecasts in a row must agree [-].
    minima : sequence of float
        Probabilities tried, ascending [-].

    Returns
    -------
    float
        The first with no more wrong decisions than waiting, else the last [-].

    Raises
    ------
    InputError
        If there is no sample.
    """
    for minimum in minima:
        found = decided(times, probability, truth, waited, ready, minimum, hold=hold)
        if found.wrong.sum() <= found.wrong_waiting.sum():
            break
    return found.minimum
