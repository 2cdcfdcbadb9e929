"""The plateau predicted from the early reading, every donor by the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.hold.donors import renumbered
from stanch.verify.hold.lognormal import upper_tail

__all__ = ["LEAVE_ONE_OUT", "TENFOLD", "folds_of", "out_of_sample"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Whole = NDArray[np.intp]

ROUNDS = 40
"""Newton steps allowed [-]."""

CELLS = 500_000
"""Numbers held at once, bounds times folds [-]."""

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
    seen = np.flatnonzero(np.bincount(who))
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
    part = renumbered(part)
    coefficients, settled = _without_folds(design, y, hidden, part)
    out = np.asarray((design * coefficients[part]).sum(axis=1))
    for one in np.flatnonzero(~settled):
        own = part == one
        bounds = hidden[~own]
        fit = censored_fit(design[~own], y[~own], None, bounds if bounds.any() else None)
        out[own] = design[own] @ fit.coefficients
    return out


def _without_folds(design: Floats, y: Floats, hidden: NDArray[np.bool_], fold: Whole) -> tuple[Floats, Flags]:
    """Coefficients of the fit without each fold, all folds at once by Newton's method from the fit to all."""
    whole = censored_fit(design, y, None, hidden)
    folds, terms = int(fold.max()) + 1, design.shape[1]
    columns, middle = np.abs(design).max(axis=0), float(y.mean())
    span = float(np.abs(y - middle).max()) or 1.0
    columns[columns == 0] = 1.0
    if not whole.sd > 1e-6 * span:
        return np.zeros((folds, terms)), np.zeros(folds, dtype=bool)
    rows = np.column_stack([-design / columns, (y - middle) / span])
    pairs = [(i, j) for i in range(terms + 1) for j in range(terms + 1)]
    known, fold_known, bound, fold_bound = rows[~hidden], fold[~hidden], rows[hidden], fold[hidden]
    gram = np.stack([_others(fold_known, known[:, i] * known[:, j], folds) for i, j in pairs], axis=1)
    gram = gram.reshape(folds, terms + 1, terms + 1)
    count = _others(fold_known, np.ones(fold_known.size), folds)
    start = np.append(whole.coefficients * columns, span)
    start[0] -= middle * columns[0]
    start[:-1] /= span
    p = np.tile(np.append(start[:-1], 1.0) * span / whole.sd, (folds, 1))
    settled, sound = np.zeros(folds, dtype=bool), count > terms
    for _ in range(ROUNDS):
        slope, bend = _bounds_beside_folds(p, bound, fold_bound)
        slope -= np.einsum("fij,fj->fi", gram, p)
        slope[:, -1] += count / p[:, -1]
        bend += gram
        bend[:, -1, -1] += count / p[:, -1] ** 2
        size = np.sqrt(np.maximum(np.einsum("fii->fi", bend), 1e-300))
        scaled = bend / (size[:, :, None] * size[:, None, :])
        sound &= np.linalg.det(scaled) > 1e-11
        scaled[~sound] = np.eye(terms + 1)
        step = np.linalg.solve(scaled, (slope / size)[..., None])[..., 0] / size
        step *= ((2.0 / 3.0) / np.maximum(-step[:, -1] / p[:, -1], 2.0 / 3.0))[:, None]
        p = np.where(sound[:, None], p + step, p)
        settled = sound & (np.abs(step).max(axis=1) < 1e-10 * np.abs(p).max(axis=1))
        if bool((settled | ~sound).all()):
            break
    coefficients = p[:, :-1] / p[:, -1:] * span
    coefficients[:, 0] += middle * columns[0]
    return coefficients / columns, settled


def _bounds_beside_folds(p: Floats, bound: Floats, fold: Whole) -> tuple[Floats, Floats]:
    """What the bounds of all other folds add to the slope and to minus the second derivative."""
    folds, terms = p.shape
    slope, bend = np.zeros((folds, terms)), np.zeros((folds, terms * terms))
    step = max(1, CELLS // folds)
    for start in range(0, fold.size, step):
        own = bound[start : start + step]
        ratio, curve = upper_tail(p @ own.T)
        inside = fold[start : start + step] != np.arange(folds)[:, None]
        slope -= (ratio * inside) @ own
        bend += (curve * inside) @ (own[:, :, None] * own[:, None, :]).reshape(-1, terms * terms)
    return slope, bend.reshape(folds, terms, terms)


def _others(fold: Whole, values: Floats, folds: int) -> Floats:
    """Sums of all but each fold."""
    own = np.bincount(fold, values, minlength=folds)
    return np.asarray(own.sum() - own)


def _plain(x: Floats | None, y: Floats, part: NDArray[np.intp]) -> Floats:
    """Least squares of all but each fold at once: the sums of all less those of the fold."""
    fold = renumbered(part)

    def others(values: Floats) -> Floats:
        return _others(fold, values, int(fold.max()) + 1)

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
