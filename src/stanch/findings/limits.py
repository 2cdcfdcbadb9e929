"""The posterior probability that a reading or contrast lies beyond a limit, from its samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.estimate import Estimate

__all__ = ["Truth", "beyond", "probability", "with_systematic"]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """Whether a statement holds on each joint sample, where a censored sample may leave it open.

    Parameters
    ----------
    surely : ndarray of bool, shape (path,)
        It holds.
    possibly : ndarray of bool, shape (path,)
        It holds or is left open.
    """

    surely: Bools
    possibly: Bools

    def __invert__(self) -> Truth:
        return Truth(~self.possibly, ~self.surely)

    def __and__(self, other: Truth) -> Truth:
        n = min(self.surely.size, other.surely.size)
        return Truth(self.surely[:n] & other.surely[:n], self.possibly[:n] & other.possibly[:n])

    def __or__(self, other: Truth) -> Truth:
        n = min(self.surely.size, other.surely.size)
        return Truth(self.surely[:n] | other.surely[:n], self.possibly[:n] | other.possibly[:n])


def probability(holds: Bools) -> float:
    """Probability from joint samples; never exactly 0 or 1, since a finite number of samples cannot show that.

    Parameters
    ----------
    holds : ndarray of bool, shape (path,)
        Whether the statement holds on each sample.

    Returns
    -------
    float
        [-].

    Notes
    -----
    (k + 1/2)/(n + 1): the posterior mean under Jeffreys' prior of a proportion.

    Examples
    --------
    >>> probability(np.array([True, True, False]))
    0.625
    """
    return (int(np.count_nonzero(holds)) + 0.5) / (holds.size + 1)


def beyond(samples: Floats, limit: float, side: Literal["above", "below"], estimate: Estimate | None = None) -> Truth:
    """Whether each sample lies strictly beyond a limit.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        ``+inf`` is "not reached by the end", ``-inf`` "before the start" [SI unit].
    limit : float
        [SI unit].
    side : str
        Beyond means above or below it.
    estimate : Estimate, optional
        Of the same number; a censored one carries the end or the start of the run.

    Returns
    -------
    Truth
        A censored sample counts only where the run went past the limit; otherwise it is left open.

    Raises
    ------
    InputError
        If a sample or the limit is not a number.

    Examples
    --------
    >>> truth = beyond(np.array([1.0, 5.0, np.inf]), 4.0, "above")
    >>> truth.surely.tolist()
    [False, True, True]
    """
    if samples.size == 0 or np.isnan(samples).any() or not math.isfinite(limit):
        raise InputError("samples or limit", got=(samples.size, limit), allowed="numbers, no NaN, and a finite limit")
    finite = samples[np.isfinite(samples)]
    end, start = -math.inf, math.inf
    if finite.size:
        end, start = float(finite.max()), float(finite.min())
    if estimate is not None and estimate.status == "above" and estimate.low is not None:
        end = max(end, estimate.low)
    if estimate is not None and estimate.status == "below" and estimate.high is not None:
        start = min(start, estimate.high)
    sure = samples > limit if side == "above" else samples < limit
    open_ = np.zeros(samples.shape, bool)
    if limit > end:
        open_ |= samples == math.inf
    if limit < start:
        open_ |= samples == -math.inf
    return Truth(sure & ~open_, sure | open_)


def with_systematic(samples: Floats, systematic: float | None, common: Floats) -> Floats:
    """Widen samples by the systematic part, which is common to all wells of a run.

    Parameters
    ----------
    samples : ndarray, shape (path,)
        [SI unit].
    systematic : float or None
        Relative standard uncertainty [-]; None or 0 changes nothing.
    common : ndarray, shape (path,) or longer
        Standard normal numbers, the same for every reading of the run [-].

    Returns
    -------
    ndarray, shape (path,)
        [SI unit].
    """
    if not systematic:
        return samples
    return samples * np.exp(systematic * common[: samples.size])
