"""Charts with memory: weighted averages (EWMA) and cumulative sums (CUSUM)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.control._making import charted, positive
from stanch.verify.control.chart import Chart
from stanch.verify.intervals import checked

__all__ = ["Sums", "cumulative_sums", "weighted_averages"]

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sums:
    """Tabular cumulative sums.

    Parameters
    ----------
    high, low : ndarray, shape (point,)
        Upper sum and lower sum, both counted upwards from zero [unit].
    limit : float
        Decision limit h [unit].
    signal_high, signal_low : ndarray of bool, shape (point,)
        Strictly above it.
    first : int or None
        First point that signals, counted from 1.
    """

    high: Floats
    low: Floats
    limit: float
    signal_high: Flags
    signal_low: Flags
    first: int | None


def weighted_averages(
    x: ArrayLike,
    *,
    centre: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
    limits: Literal["varying", "asymptotic"] = "varying",
    start: float | None = None,
) -> Chart:
    """Exponentially weighted moving averages (EWMA).

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    centre, sigma : float
        [unit].
    weight : float
        Of the newest result, above 0 up to 1 [-].
    width : float
        [-].
    limits : str
        ``varying`` (exact at every point, narrower at the start) or ``asymptotic``.
    start : float, optional
        Average before the first result [unit]; the centre when not given.

    Returns
    -------
    Chart

    Notes
    -----
    Roberts SW. Technometrics 1:239-250 (1959), from memory; NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    from scipy import signal

    values = checked(x, "control results", least=1)
    sigma = positive(sigma, "standard deviation of the control")
    if not 0 < weight <= 1:
        raise InputError("weight of the newest result", got=weight, allowed="above 0, at most 1")
    begin = centre if start is None else start
    # About the centre, so that a large mean does not eat the digits of a small scatter.
    made, _ = signal.lfilter([weight], [1.0, weight - 1.0], values - centre, zi=[(1 - weight) * (begin - centre)])
    half = width * sigma * math.sqrt(weight / (2 - weight))
    if limits == "varying":
        steps = np.arange(1, values.size + 1, dtype=np.float64)
        factor = np.sqrt(1 - (1 - weight) ** (2 * steps))
    else:
        factor = np.ones(values.size)
    return charted(centre + np.asarray(made), centre, sigma, centre - half * factor, centre + half * factor)


def cumulative_sums(x: ArrayLike, *, target: float, k: float, h: float, headstart: float = 0.0) -> Sums:
    """Tabular cumulative sums (CUSUM), not started anew after a signal.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    target : float
        [unit].
    k : float
        Allowance, half the shift to be found [unit].
    h : float
        Decision limit [unit].
    headstart : float
        Both sums before the first result [unit]; half of h is common (Lucas & Crosier 1982, from memory).

    Returns
    -------
    Sums

    Notes
    -----
    Page ES. Biometrika 41:100-115 (1954), from memory; NIST/SEMATECH e-Handbook 6.3.2.3. The sum max(0, s + d) equals
    the partial sum less its running minimum, so a long series needs no loop.
    """
    values = checked(x, "control results", least=1)
    h = positive(h, "decision limit h")
    if not k >= 0:
        raise InputError("allowance k", got=k, allowed="zero or above")
    if not 0 <= headstart < h:
        raise InputError("headstart", got=headstart, allowed="zero or above, below h")

    def sums(steps: Floats) -> Floats:
        total = np.cumsum(steps)
        return np.asarray(total - np.minimum(np.minimum.accumulate(total), -headstart), dtype=np.float64)

    high, low = sums(values - target - k), sums(target - values - k)
    flags = (high > h) | (low > h)
    first = int(np.argmax(flags)) + 1 if flags.any() else None
    return Sums(high, low, h, high > h, low > h, first)
