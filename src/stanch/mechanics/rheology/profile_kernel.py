"""The compiled profile of the weighted sum of squares: how far a quantity of the medium may move before frames object.

`path` and `law` as in :mod:`stanch.mechanics.rheology.search`. Importing this module loads numba.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from stanch.mechanics.kernel.noise import _dot, _gains, _whiten
from stanch.mechanics.rheology.kernel import relaxance, respond, workspace
from stanch.mechanics.rheology.search import _evaluate, _normal, _search, _solve

__all__ = ["MODULUS", "PHASE", "profile_pushes"]

MODULUS, PHASE = 0, 1
OFFSET = 10.0
LEAST = 0.5
"""G' + 10 Pa below which its logarithm is taken no further [Pa]."""

STIFF = 0.05
"""Standard deviation with which a quantity is held at its target, over its own [-]."""

NEAR = 0.06
"""Distance of the signed root from its level at which an end of the interval is good enough [-]."""

STRAIGHT = 0.05
"""Share by which the root of the rise at a straight guess may miss the level for the linear interval to stand [-]."""

FARTHEST = 4.0
"""Longest half interval over the linear one [-]."""

MINIMA = 3
"""Deeper minima that are followed at most."""

DEEPER = 0.05
"""Drop of the sum of squares that counts as another minimum [-]."""


@njit(cache=True, nogil=True)
def _quantity(which, kind, x, omega, g, slope):
    """ln(G' + 10 Pa) or phase angle at omega, its derivatives into slope."""
    relaxance(kind, x, omega, complex(0.0, omega), g)
    storage, loss = g[0].real, g[0].imag
    if which == MODULUS:
        level = max(storage + OFFSET, LEAST)
        for j in range(x.size):
            slope[j] = g[3 + j].real / level
        return math.log(level)
    power = storage * storage + loss * loss
    for j in range(x.size):
        slope[j] = (storage * g[3 + j].imag - loss * g[3 + j].real) / power
    return math.atan2(loss, storage)


@njit(cache=True, nogil=True)
def _cost(x, coefficient, law, path, gain, root, white, work, raw, model):
    """Sum of squares at x without derivatives, the prior's share included; infinite for a force of the wrong sign."""
    kind, mean, precision = law[0], law[1], law[2]
    time, inside, after, duration, node, matrix, scale, omega = path
    respond(kind, x, 0, omega, coefficient, scale, time, inside, after, duration, node, matrix, work, raw[:1])
    _whiten(raw[0], gain, root, model[0])
    norm, along = _dot(model[0], model[0]), _dot(model[0], white)
    if not norm > 0.0 or along <= 0.0:
        return np.inf
    cost = _dot(white, white) - along * along / norm
    for j in range(x.size):
        cost += precision[j] * (x[j] - mean[j]) ** 2
    return cost


@njit(cache=True, nogil=True)
def _held(
    which, target, weight, x, most, coefficient, law, path, gain, root, white, work, raw, model, buffers, g, slope,
    trial,
):  # fmt: skip
    """Least sum of squares with the quantity held near the target, from x, which it moves; returns both."""
    kind, lower, upper, omega = law[0], law[3], law[4], path[7]
    matrix, pull, step, _, free = buffers
    size = x.size
    cost, force = _evaluate(x, coefficient, law, path, gain, root, white, work, raw, model)
    q = _quantity(which, kind, x, omega, g, slope)
    total, damp, grow = cost + weight * (q - target) ** 2, 0.0, 4.0
    count, fresh = 1, True
    while count < most:
        if fresh:
            _normal(x, force, white, model, law, matrix, pull)
            for i in range(size):
                pull[i] -= weight * (q - target) * slope[i]
                for j in range(size):
                    matrix[i, j] += weight * slope[i] * slope[j]
            for j in range(size):
                free[j] = not ((x[j] <= lower[j] and pull[j] < 0.0) or (x[j] >= upper[j] and pull[j] > 0.0))
            fresh = False
        if not _solve(matrix, damp, pull, free, step):
            damp = max(10.0 * damp, 1e-3)
            count += 1
            continue
        promised, longest = 0.0, 0.0
        for j in range(size):
            promised += step[j] * pull[j]
            longest = max(longest, abs(step[j]))
        shrink = max(1.0, longest)
        for j in range(size):
            trial[j] = min(max(x[j] + step[j] / shrink, lower[j]), upper[j])
        new, new_force = _evaluate(trial, coefficient, law, path, gain, root, white, work, raw, model)
        moved = _quantity(which, kind, trial, omega, g, slope)
        after = new + weight * (moved - target) ** 2
        count += 1
        if after <= total and new_force > 0.0:
            x[:] = trial
            cost, force, q, total, fresh = new, new_force, moved, after, True
            damp, grow = (0.2 * damp if damp > 1e-3 else 0.0), 4.0
            if promised < 0.05 and shrink == 1.0:
                break
        else:
            if promised < 0.05:
                break
            damp = max(grow * damp, 1e-2)
            grow *= 2.0
            _evaluate(x, coefficient, law, path, gain, root, white, work, raw, model)
            q = _quantity(which, kind, x, omega, g, slope)
            if damp > 1e6:
                break
    return q, cost


@njit(cache=True, nogil=True)
def _ends(
    which, best, lowest, covariance, level, most, coefficient, law, path, gain, root, white, work, raw, model, buffers,
    g, slope, along, at, trial, reach,
):  # fmt: skip
    """Both ends of one quantity into reach; returns whether a deeper minimum was met, which is then in `at`."""
    kind, lower, upper, omega = law[0], law[3], law[4], path[7]
    size = best.size
    middle = _quantity(which, kind, best, omega, g, slope)
    square = 0.0
    for i in range(size):
        along[i] = 0.0
        for j in range(size):
            along[i] += covariance[i, j] * slope[j]
        square += slope[i] * along[i]
    if not square > 0.0:
        return False
    sd = math.sqrt(square)
    for side in range(2):
        sign = -1.0 if side == 0 else 1.0
        u, below, r_below, above, r_above = level * sd, 0.0, 0.0, np.inf, np.inf
        for j in range(size):
            at[j] = min(max(best[j] + sign * u * along[j] / square, lower[j]), upper[j])
        got = sign * (_quantity(which, kind, at, omega, g, trial) - middle)
        rise = _cost(at, coefficient, law, path, gain, root, white, work, raw, model) - lowest
        if abs(math.sqrt(max(rise, 0.0)) - level) < STRAIGHT * level and abs(got - u) < STRAIGHT * u:
            # Here even the straight way out costs what it should.
            reach[which, side] = u
            continue
        for turn in range(8):
            for j in range(size):
                at[j] = min(max(best[j] + sign * u * along[j] / square, lower[j]), upper[j])
            q, cost = _held(
                which, middle + sign * u, (STIFF * sd) ** -2, at, most, coefficient, law, path, gain, root, white,
                work, raw, model, buffers, g, slope, trial,
            )  # fmt: skip
            if cost < lowest - DEEPER:
                return True
            r, got = math.sqrt(max(cost - lowest, 0.0)), sign * (q - middle)
            if r < level and got >= below:
                below, r_below = max(got, 0.0), r
            elif r >= level and got <= above:
                above, r_above = got, r
            if abs(r - level) < NEAR:
                below = above = got * level / max(r, 1e-9)
                break
            if below >= FARTHEST * level * sd:
                break
            if above < np.inf:
                if above - below < 0.02 * level * sd:
                    break
                share = (level - r_below) / max(r_above - r_below, 1e-9)
                u = below + min(max(share, 0.1), 0.9) * (above - below)
            elif got < 0.8 * u and turn > 0:
                # It will not go there: an end of what the quantity can be.
                break
            else:
                u = below * min(max(1.05 * level / max(r_below, 1e-6), 1.15), 2.0) if below > 0.0 else 2.0 * u
        if above == np.inf:
            above = min(max(below * level / max(r_below, 1e-3), below), FARTHEST * level * sd)
        elif above > below:
            above = below + min(max((level - r_below) / max(r_above - r_below, 1e-9), 0.0), 1.0) * (above - below)
        reach[which, side] = above
    return False


@njit(cache=True, nogil=True)
def _elsewhere(
    cells, grid, best, coefficient, law, path, gain, root, white, work, raw, model, buffers, g, slope, at, reach, level,
    lowest, most, tolerance,
):  # fmt: skip
    """Another minimum that the interval leaves out: widens it, or returns True with a deeper one in `at`."""
    kind, mean, precision, omega = law[0], law[1], law[2], path[7]
    size = best.size
    column = np.empty(cells.shape[0])
    middle = np.array([_quantity(which, kind, best, omega, g, slope) for which in range(2)])
    power, least, place = _dot(white, white), np.inf, -1
    for cell in range(cells.shape[1]):
        for k in range(column.size):
            column[k] = cells[k, cell]
        _whiten(column, gain, root, model[0])
        norm, along = _dot(model[0], model[0]), _dot(model[0], white)
        if not norm > 0.0 or along <= 0.0:
            continue
        cost = power - along * along / norm
        for j in range(size):
            cost += precision[j] * (grid[cell, j] - mean[j]) ** 2
        if cost >= least:
            continue
        for which in range(2):
            away = _quantity(which, kind, grid[cell], omega, g, slope) - middle[which]
            if away < -1.5 * reach[which, 0] or away > 1.5 * reach[which, 1]:
                least, place = cost, cell
                break
    if place < 0:
        return False
    at[:] = grid[place]
    force, cost, _, _ = _search(
        at, most, tolerance, coefficient, law, path, gain, root, white, work, raw, model, buffers
    )
    if force <= 0.0 or cost > lowest + level * level:
        return False
    if cost < lowest - DEEPER:
        return True
    for which in range(2):
        away = _quantity(which, kind, at, omega, g, slope) - middle[which]
        reach[which, 0], reach[which, 1] = max(reach[which, 0], -away), max(reach[which, 1], away)
    return False


@njit(cache=True, nogil=True)
def profile_pushes(
    data, variance, step_variance, shared_variance, coefficient, law, path, inflation, cells, grid, unsure, x,
    covariance, level, most, tolerance, reach, moved,
):  # fmt: skip
    """Half intervals of ln(G' + 10 Pa) and of the phase angle, at known speckle deviations.

    Parameters
    ----------
    data, variance, step_variance, shared_variance, coefficient, law, path, inflation
        As in :func:`stanch.mechanics.rheology.search.fit_pushes`; the inflation is left as it is.
    cells, grid
        Of the start grid, as in :func:`stanch.mechanics.rheology.search.pick_starts`.
    unsure : ndarray of bool, shape (push,)
        Whether other minima are looked for.
    x : ndarray, shape (push, parameter)
        Solution; moved where a deeper minimum is met [-].
    covariance : ndarray, shape (push, parameter, parameter)
        Of the parameters at known speckle, linear [-].
    level : float
        Root of the rise in the sum of squares at the ends [-].
    most : int
        Evaluations for each step towards an end [-].
    tolerance : float
        Of a search for another minimum [-].
    reach : ndarray, shape (push, 2, 2)
        Filled in: distance of the lower and the upper end, of either quantity; NaN where there is none [-].
    moved : ndarray of bool, shape (push,)
        Filled in: whether x was moved.
    """
    frames, size = path[0].size, x.shape[1]
    work = workspace(path[6].size, path[4].size)
    raw, model = np.empty((1 + size, frames)), np.empty((1 + size, frames))
    own, gain, root, white = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    buffers = (np.zeros((size, size)), np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size, dtype=np.bool_))
    g, slope, along = np.zeros(9, dtype=np.complex128), np.zeros(size), np.zeros(size)
    at, trial = np.zeros(size), np.zeros(size)
    for p in range(data.shape[0]):
        c = coefficient[p]
        reach[p], moved[p] = np.nan, False
        for k in range(frames):
            own[k] = variance[p, k] * inflation[p, k]
        _gains(own, step_variance[p], shared_variance[p], gain, root)
        _whiten(data[p], gain, root, white)
        for _ in range(MINIMA):
            lowest = _cost(x[p], c, law, path, gain, root, white, work, raw, model)
            deeper = not lowest < np.inf
            for which in range(2):
                deeper = deeper or _ends(
                    which, x[p], lowest, covariance[p], level, most, c, law, path, gain, root, white, work, raw, model,
                    buffers, g, slope, along, at, trial, reach[p],
                )  # fmt: skip
            if not lowest < np.inf:
                break
            if not deeper and unsure[p]:
                deeper = _elsewhere(
                    cells, grid, x[p], c, law, path, gain, root, white, work, raw, model, buffers, g, slope, at,
                    reach[p], level, lowest, 4 * most, tolerance,
                )  # fmt: skip
            if not deeper:
                break
            force, _, _, _ = _search(
                at, 4 * most, tolerance, c, law, path, gain, root, white, work, raw, model, buffers
            )
            if force <= 0.0:
                break
            x[p], moved[p] = at, True
