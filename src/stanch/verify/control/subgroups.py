"""Charts of subgroup means and of the spread inside subgroups."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.control._making import charted, positive
from stanch.verify.control.chart import Chart
from stanch.verify.control.constants import c4, d2, d3
from stanch.verify.intervals import checked
from stanch.verify.scales import grouped

__all__ = ["Subgroups", "subgroups"]


@dataclass(frozen=True)
class Subgroups:
    """Charts of subgroup means and of the spread inside subgroups.

    Parameters
    ----------
    names : tuple of str
        Subgroups in the order of their first result.
    size : ndarray of int, shape (subgroup,)
    mean, spread : Chart
        Means; ranges or standard deviations. A subgroup of one has a spread of NaN, which never signals.
    mean_spread : float
        Mean range, or mean standard deviation, of the baseline [unit].
    """

    names: tuple[str, ...]
    size: NDArray[np.intp]
    mean: Chart
    spread: Chart
    mean_spread: float


def subgroups(
    x: ArrayLike,
    group: ArrayLike,
    *,
    by: Literal["range", "sd"] = "range",
    centre: float | None = None,
    sigma: float | None = None,
    baseline: ArrayLike | None = None,
    width: float = 3.0,
    rounded: bool = False,
) -> Subgroups:
    """Charts of subgroup means and of the spread inside subgroups, of equal or unequal size.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    group : array_like of str, shape (result,)
        Subgroup of each result.
    by : str
        Spread as ``range`` (over d2) or ``sd`` (over c4); with unequal sizes the mean over subgroups of the quotient.
    centre, sigma : float, optional
        [unit]; else from the baseline.
    baseline : array_like of bool, shape (result,), optional
        A subgroup belongs to it when all its results do.
    width : float
        [-].
    rounded : bool
        d2 to three decimals.

    Returns
    -------
    Subgroups
    """
    values = checked(x, "control results", least=2)
    names, index = grouped(group)
    first = np.unique(index, return_index=True)[1]
    if index.size != values.size:
        raise InputError("subgroups", got=f"{index.size} names", allowed=f"one for each of {values.size} results")
    count = np.bincount(index)
    shifted = values - values[first][index]
    mean = values[first] + np.bincount(index, shifted) / count
    order = np.argsort(index, kind="stable")
    starts = np.concatenate(([0], np.cumsum(count)[:-1]))
    if by == "range":
        spread = np.maximum.reduceat(values[order], starts) - np.minimum.reduceat(values[order], starts)
    else:
        squares = np.bincount(index, (values - mean[index]) ** 2)
        spread = np.sqrt(squares / np.maximum(count - 1, 1))
    base = np.ones(count.size, dtype=bool)
    if baseline is not None:
        base[index[~np.asarray(baseline, dtype=bool)]] = False
    several = base & (count > 1)
    if not several.any():
        raise InputError("baseline subgroups", got="none with two results", allowed="at least one")
    sizes, inverse = np.unique(count, return_inverse=True)
    middle = np.array([(d2(int(n), rounded=rounded) if by == "range" else c4(int(n))) if n > 1 else 1.0 for n in sizes])
    around = np.array(
        [(d3(int(n)) if by == "range" else math.sqrt(1 - c4(int(n)) ** 2)) if n > 1 else 0.0 for n in sizes]
    )
    unit_mean, unit_sd = middle[inverse], around[inverse]
    if sigma is None:
        sigma = float((spread[several] / unit_mean[several]).mean())
    sigma = positive(sigma, "standard deviation inside subgroups")
    if centre is None:
        centre = float(np.average(mean[base], weights=count[base]))
    half = width * sigma / np.sqrt(count)
    low, high = np.maximum(0.0, unit_mean - width * unit_sd) * sigma, (unit_mean + width * unit_sd) * sigma
    shown = np.where(count > 1, spread, np.nan)
    return Subgroups(
        tuple(str(name) for name in names),
        count,
        charted(mean, centre, sigma, centre - half, centre + half),
        charted(shown, float(unit_mean[several].mean()) * sigma, sigma, low, high),
        float(spread[several].mean()),
    )
