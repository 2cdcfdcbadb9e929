"""How much of the anticoagulant a neutraliser takes away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import Equivalence, ratio_paired
from stanch.verify.groups import places
from stanch.verify.intervals import checked, flags

__all__ = ["Capacity", "CapacityDose", "neutraliser_capacity"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class CapacityDose:
    """What was seen at one dose.

    Parameters
    ----------
    dose : float
        [unit].
    donors : int
        Pairs.
    bounded : int
        Of them known only as a bound; with any, equivalence cannot be shown at this dose.
    ratio : Equivalence or None
        Result with the spike over that without, both neutralised [-]; null with fewer than two exact pairs.
    equivalent : bool
    """

    dose: float
    donors: int
    bounded: int
    ratio: Equivalence | None
    equivalent: bool


@dataclass(frozen=True)
class Capacity:
    """The highest dose that is taken away, with all lower ones.

    Parameters
    ----------
    capacity : float or None
        [unit]; null when already the lowest dose was not shown to be taken away, or no margin was stated.
    doses : tuple of CapacityDose
        In rising order.
    stopped_at : float or None
        Dose at which the claim ended [unit]; null when none failed.
    margin : float or None
        Largest ratio allowed [-].
    alpha : float
        [-].
    """

    capacity: float | None
    doses: tuple[CapacityDose, ...]
    stopped_at: float | None
    margin: float | None
    alpha: float


def neutraliser_capacity(
    dose: ArrayLike,
    result: ArrayLike,
    donor: ArrayLike,
    *,
    margin: float | None = None,
    reference: float = 0.0,
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    alpha: float = 0.05,
) -> Capacity:
    """Capacity from a series of spiked samples, all read in the well with neutraliser.

    Parameters
    ----------
    dose : array_like, shape (n,)
        Of the spike [unit].
    result : array_like, shape (n,)
        Onsets (or another reading above zero) in the neutralised well [unit].
    donor : array_like of str, shape (n,)
        Names; replicates of a donor at one dose are averaged as logarithms.
    margin : float, optional
        Largest ratio that counts as 1, above 1 [-].
    reference : float
        Dose of the unspiked samples [unit].
    below, above : array_like of bool, shape (n,), optional
        Results known only as bounds.
    alpha : float
        Of each one-sided test [-].

    Returns
    -------
    Capacity

    Raises
    ------
    InputError
        If there are no unspiked samples, or no doses above the reference.

    Notes
    -----
    Doses are tested from the lowest up, each at alpha, until one fails: a fixed sequence, whose chance of a dose
    claimed wrongly is at most alpha without further correction. Maurer W, Hothorn LA, Lehmacher W. In: Vollmar J (ed)
    Biometrie in der chemisch-pharmazeutischen Industrie 6:3-18 (1995), from memory.
    """
    x, y = checked(dose, "doses", least=2), checked(result, "results", least=2)
    group = places(donor)
    if group.size != x.size or y.size != x.size:
        raise InputError("spiked series", got=f"{x.size}, {y.size}, {group.size}", allowed="equal numbers")
    bound = flags(below, x.size, "bounds") | flags(above, x.size, "bounds")
    if (y <= 0).any():
        raise InputError("results", got=f"{int((y <= 0).sum())} at or below zero", allowed="above zero for a ratio")
    doses = np.unique(x)
    if reference not in doses or not (doses > reference).any():
        raise InputError(
            "doses",
            got=", ".join(f"{d:g}" for d in doses[:8]),
            allowed=f"unspiked samples at {reference:g} and spiked ones above",
        )
    base, base_bound = _cells(x == reference, y, group, bound)
    found: list[CapacityDose] = []
    for value in doses[doses > reference]:
        spiked, spiked_bound = _cells(x == value, y, group, bound)
        both = ~np.isnan(spiked) & ~np.isnan(base)
        exact = both & ~spiked_bound & ~base_bound
        bounded = int(both.sum() - exact.sum())
        ratio = None
        if int(exact.sum()) >= 2:
            ratio = ratio_paired(np.exp(base[exact]), np.exp(spiked[exact]), margin=margin, alpha=alpha)
        good = ratio is not None and not bounded and ratio.outcome == "met"
        found.append(CapacityDose(float(value), int(both.sum()), bounded, ratio, good))
    reached: float | None = None
    stopped: float | None = None
    for one in found:
        if not one.equivalent:
            stopped = one.dose
            break
        reached = one.dose
    return Capacity(reached, tuple(found), stopped, margin, alpha)


def _cells(where: Flags, y: Floats, group: NDArray[np.intp], bound: Flags) -> tuple[Floats, Flags]:
    """Mean logarithm of each donor, NaN where there is none, and whether a bound is in it."""
    count = int(group.max()) + 1
    number = np.bincount(group[where], minlength=count)
    total = np.bincount(group[where], np.log(y[where]), minlength=count)
    mean = np.full(count, np.nan)
    mean[number > 0] = total[number > 0] / number[number > 0]
    return mean, np.bincount(group[where & bound], minlength=count) > 0
