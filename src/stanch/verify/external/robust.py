"""Consensus of a round: robust mean and standard deviation that a few wild results hardly move."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import checked

__all__ = ["Consensus", "algorithm_a", "consensus"]


@dataclass(frozen=True)
class Consensus:
    """Location and spread of a round.

    Parameters
    ----------
    value, sd : float
        [unit].
    uncertainty : float
        Standard uncertainty of the value [unit].
    n : int
        Results.
    method : str
    iterations : int
        Rounds of the iteration, 0 for a formula.
    note : str
        What was done out of the ordinary; empty otherwise.
    """

    value: float
    sd: float
    uncertainty: float
    n: int
    method: str
    iterations: int = 0
    note: str = ""


def algorithm_a(x: ArrayLike, *, exact: bool = False, tolerance: float = 1e-12, most: int = 10_000) -> Consensus:
    """Robust mean and standard deviation by pulling in results beyond 1.5 robust standard deviations.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    exact : bool
        Use the exact normal constants instead of the printed 1.483 and 1.134.
    tolerance : float
        Largest change of mean and standard deviation at the end, relative to the standard deviation [-].
    most : int
        Iterations after which it is refused.

    Returns
    -------
    Consensus

    Raises
    ------
    InputError
        If there are fewer than three results, all are equal, or it does not converge.

    Notes
    -----
    Algorithm A of ISO 13528 (2015), Annex C (formulas and constants from memory, the text was not read); in the
    literature Huber's proposal 2 with a bend at 1.5. The uncertainty of the mean is 1.25 sd/sqrt(n) (from memory, same
    standard). Where more than half the results are equal the median deviation is zero; the iteration then starts from
    the ordinary standard deviation.
    """
    values = checked(x, "results of the round", least=3)
    if np.ptp(values) == 0:
        raise InputError("results of the round", got="all equal", allowed="results that differ", do="State a value.")
    to_sd, grow = (1 / 0.6744897501960817, _growth()) if exact else (1.483, 1.134)
    centre = float(np.median(values))
    # About the median, so that a large level does not eat the digits of a small scatter.
    d = values - centre
    mean, sd, note = 0.0, to_sd * float(np.median(np.abs(d))), ""
    if sd == 0:
        sd = float(d.std(ddof=1))
        note = "More than half of the results are equal; the iteration started from the ordinary standard deviation."
    for iteration in range(1, most + 1):
        pulled = np.clip(d, mean - 1.5 * sd, mean + 1.5 * sd)
        new_mean, new_sd = float(pulled.mean()), grow * float(pulled.std(ddof=1))
        change = max(abs(new_mean - mean), abs(new_sd - sd))
        mean, sd = new_mean, new_sd
        if sd <= float(np.ptp(d)) * 1e-12:
            raise InputError(
                "results of the round",
                got="a robust standard deviation of zero: too many equal results",
                allowed="results that differ",
                do="Take the median with a stated standard deviation.",
            )
        if change <= tolerance * sd:
            root = 1.25 * sd / math.sqrt(values.size)
            return Consensus(centre + mean, sd, root, int(values.size), "algorithm A", iteration, note)
    raise InputError("results of the round", got=f"no convergence in {most} steps", allowed="fewer tied results")


def _growth() -> float:
    """One over the standard deviation of normal values pulled in beyond 1.5."""
    c = 1.5
    inside = math.erf(c / math.sqrt(2))
    density = math.exp(-c * c / 2) / math.sqrt(2 * math.pi)
    return 1 / math.sqrt(inside - 2 * c * density + c * c * (1 - inside))


def consensus(
    x: ArrayLike, *, method: Literal["algorithm-a", "median", "mean"] = "algorithm-a", exact: bool = False
) -> Consensus:
    """Location and spread of a round.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    method : str
        ``algorithm-a``, ``median`` (with the scaled median absolute deviation) or ``mean`` (with the ordinary SD).
    exact : bool
        Exact normal constants instead of the printed ones.

    Returns
    -------
    Consensus
    """
    if method == "algorithm-a":
        return algorithm_a(x, exact=exact)
    values = checked(x, "results of the round", least=2)
    if method == "mean":
        sd = float(values.std(ddof=1))
        return Consensus(float(values.mean()), sd, sd / math.sqrt(values.size), int(values.size), "mean")
    middle = float(np.median(values))
    sd = (1 / 0.6744897501960817 if exact else 1.483) * float(np.median(np.abs(values - middle)))
    return Consensus(middle, sd, 1.25 * sd / math.sqrt(values.size), int(values.size), "median")
