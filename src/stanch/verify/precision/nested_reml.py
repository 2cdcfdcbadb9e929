"""Residual maximum likelihood of nested designs, by one pass over the tree of groups."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.precision.factors import Nesting

__all__ = ["nested_reml", "residual_deviance"]

Floats = NDArray[np.float64]


def residual_deviance(ratios: Floats, within: float, cell_mean: Floats, tree: Nesting) -> tuple[float, Floats, float]:
    """Minus twice the residual log likelihood, the error variance profiled out.

    Parameters
    ----------
    ratios : ndarray, shape (factor,)
        Variance components over the error variance [-].
    within : float
        Sum of squares within the innermost groups [unit] squared.
    cell_mean : ndarray, shape (cell,)
        [unit].
    tree : Nesting

    Returns
    -------
    deviance : float
        Up to a constant [-].
    gradient : ndarray, shape (factor,)
        By the ratios [-].
    error : float
        Error variance at these ratios [unit] squared.

    Notes
    -----
    Every group passes three numbers outwards: the weight of its mean, the mean, and the weighted spread below it.
    No inverse, no difference of large numbers; derivatives are carried along.
    """
    depth = ratios.size
    weight = tree.counts[-1].astype(np.float64)
    mean = cell_mean
    spread, log_det = within, 0.0
    d_weight = np.zeros((depth, weight.size))
    d_mean = np.zeros_like(d_weight)
    d_spread, d_log = np.zeros(depth), np.zeros(depth)
    for level in range(depth, -1, -1):
        if level < depth:
            starts = np.flatnonzero(np.diff(tree.parents[level], prepend=-1))
            total = np.add.reduceat(weight, starts)
            pooled = np.add.reduceat(weight * mean, starts) / total
            gap = mean - pooled[tree.parents[level]]
            spread += float(np.sum(weight * gap * gap))
            d_spread += d_weight @ (gap * gap) + 2 * (d_mean @ (weight * gap))
            d_pooled = np.add.reduceat(d_weight * gap + weight * d_mean, starts, axis=1) / total
            d_weight = np.add.reduceat(d_weight, starts, axis=1)
            d_mean, weight, mean = d_pooled, total, pooled
        if level == 0:
            break
        ratio = ratios[level - 1]
        grown = 1 + ratio * weight
        log_det += float(np.sum(np.log(grown)))
        d_grown = ratio * d_weight
        d_grown[level - 1] += weight
        d_log += np.sum(d_grown / grown, axis=1)
        d_weight = d_weight / grown**2
        d_weight[level - 1] -= (weight / grown) ** 2
        weight = weight / grown
    log_det += math.log(float(weight[0]))
    d_log += d_weight[:, 0] / weight[0]
    free = tree.rows - 1
    error = spread / free
    return log_det + free * math.log(spread), d_log + free * d_spread / spread, error


def nested_reml(z: Floats, tree: Nesting, start: Floats) -> tuple[float, ...]:
    """Components that maximise the residual likelihood, none below zero.

    Parameters
    ----------
    z : ndarray, shape (row,)
        Results about their mean [unit].
    tree : Nesting
    start : ndarray, shape (component,)
        First guess, error last [unit] squared.

    Returns
    -------
    tuple of float
        Outermost first, error last [unit] squared.

    Raises
    ------
    InputError
        If the maximum was not reached.
    """
    from scipy import optimize

    cell_mean = tree.cell_sums(z) / tree.counts[-1]
    within = float(np.sum((z[tree.order] - np.repeat(cell_mean, tree.counts[-1])) ** 2))
    guess = start[:-1] / max(float(start[-1]), 1e-300)
    best: tuple[float, Floats] | None = None
    # Roots of the ratios are searched; at a root of zero the slope is zero, so a second start lies off the edge.
    for first in (np.sqrt(np.maximum(guess, 1e-2)), np.full(guess.size, 1.0)):

        def objective(root: Floats) -> tuple[float, Floats]:
            deviance, gradient, _ = residual_deviance(root * root, within, cell_mean, tree)
            return deviance, 2 * root * gradient

        found = optimize.minimize(
            objective,
            first,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, None)] * guess.size,
            options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500},
        )
        if best is None or found.fun < best[0]:
            best = float(found.fun), np.asarray(found.x, dtype=np.float64) ** 2
    assert best is not None
    ratios = _polish(best[1], within, cell_mean, tree)
    _, gradient, error = residual_deviance(ratios, within, cell_mean, tree)
    # At an edge the slope must point inwards; inside it must vanish.
    inside = np.abs(gradient * np.maximum(ratios, 1e-12)) < 1e-3
    if not bool((inside | ((ratios == 0) & (gradient > 0))).all()):
        raise InputError("residual likelihood", got="no maximum found", allowed="data with replicates", do="Use ANOVA.")
    return (*(float(r) * error for r in ratios), error)


def _polish(ratios: Floats, within: float, cell_mean: Floats, tree: Nesting) -> Floats:
    """Newton's steps in the logarithms of the ratios inside the range; tiny ones are tried at zero."""
    ratios = ratios.copy()
    deviance, gradient, _ = residual_deviance(ratios, within, cell_mean, tree)
    for k in range(ratios.size):
        trial = ratios.copy()
        trial[k] = 0.0
        lower, slope, _ = residual_deviance(trial, within, cell_mean, tree)
        if lower <= deviance and slope[k] >= 0:
            ratios, deviance, gradient = trial, lower, slope
    free = np.flatnonzero(ratios > 0)
    for _ in range(8):
        if free.size == 0:
            break
        slope = gradient[free] * ratios[free]
        hessian = np.empty((free.size, free.size))
        for column, which in enumerate(free):
            ends = []
            for step in (1e-4, -1e-4):
                moved = ratios.copy()
                moved[which] *= math.exp(step)
                ends.append(residual_deviance(moved, within, cell_mean, tree)[1][free] * moved[free])
            hessian[:, column] = (ends[0] - ends[1]) / 2e-4
        move = np.linalg.lstsq((hessian + hessian.T) / 2, -slope, rcond=None)[0]
        trial = ratios.copy()
        trial[free] *= np.exp(np.clip(move, -1, 1))
        lower, slope, _ = residual_deviance(trial, within, cell_mean, tree)
        if lower > deviance + 1e-12 * abs(deviance):
            break
        ratios, deviance, gradient = trial, lower, slope
        if np.abs(move).max() < 1e-10:
            break
    return ratios
