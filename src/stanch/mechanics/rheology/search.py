"""The compiled fit of every push with any of the models: start, damped search, outlying frames, linearisation.

As :mod:`stanch.mechanics.kernel` does for Kelvin-Voigt in two dimensions, with its whitening and its way with outlying
frames. `path` stands for frames and contour: (time, inside, after, duration, node, matrix, scale, omega), `law` for
the model: (kind, prior mean, prior precision, lower bound, upper bound, whether the bound counts as no answer).
Importing this module loads numba.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import numpy as np
from numba import njit

from stanch.mechanics.kernel.noise import _dot, _gains, _whiten
from stanch.mechanics.kernel.outliers import _outliers
from stanch.mechanics.kernel.search import AT_BOUND, CONVERGED, NO_PUSH, STALLED
from stanch.mechanics.kernel.starts import best_cell, scoring
from stanch.mechanics.rheology.kernel import respond, respond_values, workspace

__all__ = ["fit_pushes", "linearise_pushes", "pick_starts", "traces"]

HALF_LOG_TWO_PI = 0.9189385332046727
LONGEST_STEP = 1.0
UNSURE = 2000.0
"""Explained weighted sum of squares below which a rival start is tried although the first fits."""


@njit(cache=True, nogil=True)
def traces(x, coefficient, path, kind, out):
    """Traces per unit force of many media, into out of shape (medium, frame)."""
    time, inside, after, duration, node, matrix, scale, omega = path
    work = workspace(scale.size, node.size)
    raw = np.empty((1, time.size))
    for p in range(x.shape[0]):
        respond(kind, x[p], 0, omega, coefficient, scale, time, inside, after, duration, node, matrix, work, raw)
        out[p] = raw[0]


@njit(cache=True, nogil=True)
def pick_starts(
    data, variance, step_variance, shared_variance, robust, cells, index, grid, share, starts, rival, inflation
):
    """Best cell of the start grid, the best one that is no neighbour of it, and whether that one rivals it.

    Parameters
    ----------
    data, variance, step_variance, shared_variance, robust, share, rival, inflation
        As in :func:`stanch.mechanics.kernel.pick_starts`.
    cells : ndarray of float32, shape (frame, cell)
        Traces of the start grid, of unit norm [-].
    index : ndarray of int64, shape (cell, parameter)
        Place in the grid [-].
    grid : ndarray, shape (cell, parameter)
        Parameters of the search [-].
    starts : ndarray, shape (push, 2, parameter)
        Filled in [-].
    """
    size = cells.shape[1]
    row, work = scoring(size, data.shape[1])
    for p in range(data.shape[0]):
        best = best_cell(
            data[p], variance[p], step_variance[p], shared_variance[p], robust, cells, inflation[p], row, work
        )
        second = -1
        for j in range(size):
            if second >= 0 and row[j] <= row[second]:
                continue
            for i in range(index.shape[1]):
                if abs(index[j, i] - index[best, i]) > 2:
                    second = j
                    break
        starts[p, 0] = grid[best]
        starts[p, 1] = grid[max(second, 0)]
        rival[p] = second >= 0 and row[second] > share * row[best]


@njit(cache=True, nogil=True)
def _evaluate(x, coefficient, law, path, gain, root, white, work, raw, model):
    """Whitened model and derivatives at x; returns cost, prior's share included, and force."""
    kind, mean, precision = law[0], law[1], law[2]
    time, inside, after, duration, node, matrix, scale, omega = path
    size = x.size
    respond(kind, x, size, omega, coefficient, scale, time, inside, after, duration, node, matrix, work, raw)
    for j in range(1 + size):
        _whiten(raw[j], gain, root, model[j])
    norm = _dot(model[0], model[0])
    if not norm > 0.0:
        return np.inf, 0.0
    force = _dot(model[0], white) / norm
    cost = _dot(white, white) - force * force * norm
    for j in range(size):
        cost += precision[j] * (x[j] - mean[j]) ** 2
    return cost, force


@njit(cache=True, nogil=True)
def _normal(x, force, white, model, law, matrix, pull):
    """Gauss-Newton matrix and downhill direction of the projected residual and the prior."""
    mean, precision = law[1], law[2]
    size = x.size
    norm = _dot(model[0], model[0])
    for i in range(size):
        along = _dot(model[1 + i], model[0])
        pull[i] = force * (_dot(model[1 + i], white) - force * along) - precision[i] * (x[i] - mean[i])
        for j in range(i + 1):
            value = _dot(model[1 + i], model[1 + j]) - along * _dot(model[1 + j], model[0]) / norm
            matrix[i, j] = matrix[j, i] = force * force * value
        matrix[i, i] += precision[i]


@njit(cache=True, nogil=True)
def _solve(matrix, damp, pull, free, step):
    """Damped step among the free parameters; returns False where the matrix is not positive."""
    size = pull.size
    root = np.zeros((size, size))
    for i in range(size):
        step[i] = 0.0
        if not free[i]:
            root[i, i] = 1.0
            continue
        for j in range(i + 1):
            if not free[j]:
                continue
            total = matrix[i, j] * (1.0 + damp if i == j else 1.0)
            for k in range(j):
                total -= root[i, k] * root[j, k]
            if i == j:
                if not total > 1e-14 * matrix[i, i]:
                    return False
                root[i, i] = np.sqrt(total)
            else:
                root[i, j] = total / root[j, j]
    for i in range(size):
        if free[i]:
            total = pull[i]
            for k in range(i):
                total -= root[i, k] * step[k]
            step[i] = total / root[i, i]
    for i in range(size - 1, -1, -1):
        if free[i]:
            total = step[i]
            for k in range(i + 1, size):
                total -= root[k, i] * step[k]
            step[i] = total / root[i, i]
    return True


@njit(cache=True, nogil=True)
def _search(x, most, tolerance, coefficient, law, path, gain, root, white, work, raw, model, buffers):
    """Damped Gauss-Newton from x, which it moves; returns force, cost, status, evaluations.

    The model is left at the x it ends at.
    """
    lower, upper, strict = law[3], law[4], law[5]
    matrix, pull, step, trial, free = buffers
    size = x.size
    cost, force = _evaluate(x, coefficient, law, path, gain, root, white, work, raw, model)
    count, damp, grow, status, here = 1, 0.0, 4.0, STALLED, True
    if not (cost < np.inf and force != 0.0):
        return force, cost, NO_PUSH, count
    _normal(x, force, white, model, law, matrix, pull)
    while count < most:
        for j in range(size):
            free[j] = not ((x[j] <= lower[j] and pull[j] < 0.0) or (x[j] >= upper[j] and pull[j] > 0.0))
        if not _solve(matrix, damp, pull, free, step):
            damp = max(10.0 * damp, 1e-3)
            count += 1
            continue
        predicted, longest = 0.0, 0.0
        for j in range(size):
            predicted += step[j] * pull[j]
            longest = max(longest, abs(step[j]))
        shrink = max(1.0, longest / LONGEST_STEP)
        for j in range(size):
            trial[j] = min(max(x[j] + step[j] / shrink, lower[j]), upper[j])
        done = predicted < tolerance and shrink == 1.0
        new_cost, new_force = _evaluate(trial, coefficient, law, path, gain, root, white, work, raw, model)
        count += 1
        if new_cost <= cost * (1.0 + 1e-12) and new_force != 0.0:
            for j in range(size):
                x[j] = trial[j]
            # Nielsen's rule: damp as far as the gain fell short of what the linear model promised.
            gain_ratio = (cost - new_cost) / max(predicted / shrink * (2.0 - 1.0 / shrink), 1e-300)
            damp *= max(0.2, 1.0 - (2.0 * gain_ratio - 1.0) ** 3)
            damp, grow = (0.0 if damp < 1e-4 else damp), 4.0
            cost, force, here = new_cost, new_force, True
            if done:
                status = CONVERGED
                for j in range(size):
                    if strict[j] and (x[j] <= lower[j] or x[j] >= upper[j]):
                        status = AT_BOUND
                break
            _normal(x, force, white, model, law, matrix, pull)
        else:
            here = False
            if done:
                # Rounding: nothing is left to gain.
                status = CONVERGED
                break
            damp = max(grow * damp, 1e-3)
            grow *= 2.0
            if damp > 1e8:
                break
    if not here:
        _evaluate(x, coefficient, law, path, gain, root, white, work, raw, model)
    return force, cost, status, count


@njit(cache=True, nogil=True)
def fit_pushes(
    data, variance, step_variance, shared_variance, coefficient, law, path, starts, rival, threshold, retry, slack,
    most, tolerance, inflation, x, cost, status, count,
):  # fmt: skip
    """Fit every push by itself, the force projected out, outlying frames held down.

    Parameters
    ----------
    data, variance, step_variance, shared_variance, coefficient, rival, threshold, retry, slack, most, tolerance
        As in :func:`stanch.mechanics.kernel.fit_pushes`.
    law, path
        As the module says.
    starts : ndarray, shape (push, 2, parameter)
        [-].
    inflation : ndarray, shape (push, frame)
        In: variance inflation to begin with; out: the final one [-].
    x : ndarray, shape (push, parameter)
        Filled in [-].
    cost : ndarray, shape (push,)
        Filled in: weighted sum of squares with the prior's share [-].
    status, count : ndarray of int64, shape (push,)
        Filled in: how the search ended, and evaluations.
    """
    frames, size = path[0].size, x.shape[1]
    work = workspace(path[6].size, path[4].size)
    raw, model, scratch = np.empty((1 + size, frames)), np.empty((1 + size, frames)), np.empty((3, frames))
    own, gain, root, white = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    buffers = (np.zeros((size, size)), np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size, dtype=np.bool_))
    other = np.empty(size)
    for p in range(data.shape[0]):
        c, here = coefficient[p], x[p]
        used = 0
        for k in range(frames):
            own[k] = variance[p, k] * inflation[p, k]
            used += own[k] > 0.0
        _gains(own, step_variance[p], shared_variance[p], gain, root)
        _whiten(data[p], gain, root, white)
        here[:] = starts[p, 0]
        f, least, state, total = _search(
            here, most, tolerance, c, law, path, gain, root, white, work, raw, model, buffers
        )
        power = _dot(white, white)
        bad = state != CONVERGED or f <= 0.0 or least > max(retry * max(used - size - 1, 1), slack * power)
        if bad or (rival[p] and power - least < UNSURE):
            other[:] = starts[p, 1]
            f2, least2, state2, n = _search(
                other, most, tolerance, c, law, path, gain, root, white, work, raw, model, buffers
            )
            total += n
            if (f2 > 0.0 and f <= 0.0) or (least2 < least and (f2 > 0.0 or f <= 0.0)):
                here[:] = other
                f, least, state = f2, least2, state2
            else:
                _evaluate(here, c, law, path, gain, root, white, work, raw, model)
        if threshold < np.inf and used > size + 2 and state != NO_PUSH:
            for _ in range(8):
                if not _outliers(threshold, f, own, gain, root, model, white, inflation[p], scratch):
                    break
                _gains(own, step_variance[p], shared_variance[p], gain, root)
                _whiten(data[p], gain, root, white)
                f, least, state, n = _search(
                    here, most, tolerance, c, law, path, gain, root, white, work, raw, model, buffers
                )
                total += n
        cost[p], status[p], count[p] = least, state, total


@njit(cache=True, nogil=True)
def linearise_pushes(
    data, variance, step_variance, shared_variance, coefficient, slope, bending, law, path, x, inflation, force,
    information, gradient, cost, fitted, bent, likelihood,
):  # fmt: skip
    """Linearise every push at its solution; the prior on the parameters is part of information and gradient.

    Parameters
    ----------
    data, variance, step_variance, shared_variance, coefficient, slope, bending, inflation, force, cost, fitted, bent
        As in :func:`stanch.mechanics.kernel.linearise_pushes`.
    law, path
        As the module says.
    x : ndarray, shape (push, parameter)
        Solution [-].
    information : ndarray, shape (push, local + deviation, local + deviation)
        Filled in: of the parameters, ln F and the speckle deviations [-].
    gradient : ndarray, shape (push, local + deviation)
        Filled in: derivative times whitened residual [-].
    likelihood : ndarray, shape (push,)
        Filled in: natural logarithm of the density of all frames at this point, the prior left out [-].
    """
    kind, mean, precision = law[0], law[1], law[2]
    time, inside, after, duration, node, matrix, scale, omega = path
    frames, size, terms = time.size, x.shape[1], slope.shape[1]
    work = workspace(scale.size, node.size)
    orders = terms + (1 if bending != 0.0 else 0)
    local = size + 1
    raw, model = np.empty((1 + size, frames)), np.empty((1 + size, frames))
    extra = np.empty((orders, frames))
    column, residual = np.zeros((local + orders, frames)), np.zeros(frames)
    own, gain, root, white = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    for p in range(data.shape[0]):
        for k in range(frames):
            own[k] = variance[p, k] * inflation[p, k]
        _gains(own, step_variance[p], shared_variance[p], gain, root)
        _whiten(data[p], gain, root, white)
        _, f = _evaluate(x[p], coefficient[p], law, path, gain, root, white, work, raw, model)
        force[p] = f
        if terms > 0:
            respond_values(
                kind, x[p], omega, slope[p], scale, time, inside, after, duration, node, matrix, work, extra[:terms]
            )
        if bending != 0.0:
            for k in range(frames):
                extra[terms, k] = bending * f * extra[0, k] * extra[0, k]
                bent[p, k] = f * extra[terms, k]
        for j in range(orders):
            _whiten(extra[j], gain, root, column[local + j])
        total, log_density = 0.0, 0.0
        for k in range(frames):
            fitted[p, k] = f * raw[0, k]
            for j in range(size):
                column[j, k] = f * model[1 + j, k]
            column[size, k] = f * model[0, k]
            for j in range(orders):
                column[local + j, k] *= f
            residual[k] = white[k] - f * model[0, k]
            if inflation[p, k] == 1.0:
                total += residual[k] * residual[k]
            if root[k] > 0.0:
                log_density += np.log(root[k]) - 0.5 * residual[k] * residual[k] - HALF_LOG_TWO_PI
        cost[p], likelihood[p] = total, log_density
        for i in range(local + orders):
            gradient[p, i] = _dot(column[i], residual)
            for j in range(i + 1):
                information[p, i, j] = _dot(column[i], column[j])
                information[p, j, i] = information[p, i, j]
        for i in range(size):
            information[p, i, i] += precision[i]
            gradient[p, i] -= precision[i] * (x[p, i] - mean[i])
