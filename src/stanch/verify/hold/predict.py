"""The plateau predicted from the early reading, every donor by the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.hold.donors import renumbered

__all__ = ["LEAVE_ONE_OUT", "TENFOLD", "folds_of", "out_of_sample"]

Floats = NDArray[np.float64]

LEAVE_ONE_OUT = 200
"""Donors up to which each is predicted by all others; beyond, in folds [-]."""

TENFOLD = 10
"""Folds then [-]."""


def folds_of(donor: ArrayLike, *, folds: int = 0, seed: int = 0) -> NDArray[np.intp]:
    """The fold of every curve; curves of a donor stay together.

    Parameters
    ----------
    donor : array_like of int, shape (n,)
        Number of the donor.
    folds : int
        0 for one fold per donor up to 200 donors and ten folds beyond.
    seed : int
        For the order in which donors are dealt out.

    Returns
    -------
    ndarray of int, shape (n,)

    Raises
    ------
    InputError
        If there are fewer donors than folds.
    """
    who = np.asarray(donor, dtype=np.intp)
    seen = np.unique(who)
    count = folds or (seen.size if seen.size <= LEAVE_ONE_OUT else TENFOLD)
    if not 2 <= count <= seen.size:
        raise InputError("folds", got=count, allowed=f"2 to {seen.size}, the number of donors")
    dealt = np.empty(int(who.max()) + 1, dtype=np.intp)
    order = np.arange(seen.size) if count == seen.size else np.random.default_rng(seed).permutation(seen.size)
    dealt[seen[order]] = np.arange(seen.size) % count
    return np.asarray(dealt[who])


def out_of_sample(early: ArrayLike | None, plateau: ArrayLike, above: ArrayLike, fold: ArrayLike) -> Floats:
    """Predicted logarithm of the plateau of every curve, fitted without its fold.

    Parameters
    ----------
    early : array_like, shape (n,), optional
        Logarithm of the early reading [-]; without it the prediction knows nothing but the other plateaus.
    plateau : array_like, shape (n,)
        Logarithm of the plateau or of its lower bound [-].
    above : array_like of bool, shape (n,)
        Which are bounds; they enter by their likelihood.
    fold : array_like of int, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        [-].

    Raises
    ------
    InputError
        If the other folds do not determine the line.
    """
    y, hidden = np.asarray(plateau, dtype=np.float64), np.asarray(above, dtype=bool)
    part = np.asarray(fold, dtype=np.intp)
    if not hidden.any():
        return _plain(None if early is None else np.asarray(early, dtype=np.float64), y, part)
    design = np.ones((y.size, 1))
    if early is not None:
        x = np.asarray(early, dtype=np.float64)
        design = np.column_stack([design, x - x.mean()])
    whole = censored_fit(design, y, None, hidden)
    out = np.empty(y.size)
    order = np.argsort(part, kind="stable")
    start = np.flatnonzero(np.r_[True, np.diff(part[order]) > 0])
    for rows in np.split(order, start[1:]):
        others = np.ones(y.size, dtype=bool)
        others[rows] = False
        bounds = hidden[others]
        fit = censored_fit(design[others], y[others], None, bounds if bounds.any() else None, start=whole)
        out[rows] = design[rows] @ fit.coefficients
    return out


def _plain(x: Floats | None, y: Floats, part: NDArray[np.intp]) -> Floats:
    """Least squares of all but each fold at once: the sums of all less those of the fold."""
    fold = renumbered(part)

    def others(values: Floats) -> Floats:
        own = np.bincount(fold, values)
        return np.asarray(own.sum() - own)

    count = others(np.ones(y.size))
    if (count < (2 if x is None else 3)).any():
        raise InputError("values to fit", got=f"{int(count.min())} beside a fold", allowed="three or more")
    middle = float(y.mean())
    v = y - middle
    mean_y = others(v) / count
    if x is None:
        return np.asarray(middle + mean_y[fold])
    u = x - x.mean()
    size = float(np.abs(u).max()) or 1.0
    u = u / size
    mean_x = others(u) / count
    spread = others(u * u) - count * mean_x**2
    if (spread <= 1e-20 * count).any() or not (np.ptp(u) > 1e-13 * max(1.0, float(np.abs(x).max()) / size)):
        raise InputError("values to fit", got="early readings that are the same throughout", allowed="that differ")
    slope = (others(u * v) - count * mean_x * mean_y) / spread
    return np.asarray(middle + mean_y[fold] + slope[fold] * (u - mean_x[fold]))
