"""Starts of the fits: where on a grid of media the trace matches best."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import numpy as np
from numba import njit

from stanch.mechanics.kernel.elementary import _LOOSE
from stanch.mechanics.kernel.noise import _gains, _unwhiten, _whiten
from stanch.mechanics.kernel.outliers import _gross

__all__ = ["best_cell", "pick_starts", "scoring"]


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _norms(cells, gain, root, state, norm):
    """Squared length of every start cell's trace under the noise model."""
    state[:] = np.float32(0.0)
    norm[:] = np.float32(0.0)
    # Four frames at a time, so that the states are read and written less often; a refused frame has weight 0.
    whole = gain.size - gain.size % 4
    for k in range(0, whole, 4):
        g, h = np.float32(gain[k]), np.float32(gain[k + 1])
        m, n = np.float32(gain[k + 2]), np.float32(gain[k + 3])
        a, b = np.float32(root[k] * root[k]), np.float32(root[k + 1] * root[k + 1])
        c, d = np.float32(root[k + 2] * root[k + 2]), np.float32(root[k + 3] * root[k + 3])
        for j in range(norm.size):
            x = state[j]
            v = cells[k, j] - x
            x += g * v
            w = cells[k + 1, j] - x
            x += h * w
            y = cells[k + 2, j] - x
            x += m * y
            z = cells[k + 3, j] - x
            state[j] = x + n * z
            norm[j] += a * v * v + b * w * w + c * y * y + d * z * z
    for k in range(whole, gain.size):
        g, a = np.float32(gain[k]), np.float32(root[k] * root[k])
        for j in range(norm.size):
            v = cells[k, j] - state[j]
            norm[j] += a * v * v
            state[j] += g * v


@njit(cache=True, nogil=True)
def _rescale(values):
    """To a largest magnitude of one, so that single precision holds them."""
    largest = 1e-300
    for k in range(values.size):
        largest = max(largest, abs(values[k]))
    for k in range(values.size):
        values[k] /= largest


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _score(pull, cells, norm, score):
    """Weighted sum of squares that every start cell explains; a negative force explains nothing."""
    score[:] = np.float32(0.0)
    # Eight frames at a time, so that the scores are read and written less often.
    whole = pull.size - pull.size % 8
    for k in range(0, whole, 8):
        a, b, c, d = np.float32(pull[k]), np.float32(pull[k + 1]), np.float32(pull[k + 2]), np.float32(pull[k + 3])
        e, f, g, h = np.float32(pull[k + 4]), np.float32(pull[k + 5]), np.float32(pull[k + 6]), np.float32(pull[k + 7])
        for j in range(score.size):
            x = a * cells[k, j] + b * cells[k + 1, j] + c * cells[k + 2, j] + d * cells[k + 3, j]
            y = e * cells[k + 4, j] + f * cells[k + 5, j] + g * cells[k + 6, j] + h * cells[k + 7, j]
            score[j] += x + y
    for k in range(whole, pull.size):
        a = np.float32(pull[k])
        for j in range(score.size):
            score[j] += a * cells[k, j]
    for j in range(score.size):
        value = max(score[j], np.float32(0.0))
        score[j] = value * value / max(norm[j], np.float32(1e-20))


@njit(cache=True, nogil=True)
def _vertex(left, middle, right):
    """Where the parabola through three equally spaced values peaks, in steps, within half a step."""
    bend = left - 2.0 * middle + right
    if bend >= 0.0:
        return 0.0
    return min(max(0.5 * (left - right) / bend, -0.5), 0.5)


@njit(cache=True, nogil=True)
def scoring(size, frames):
    """Room for the scores of all cells, and what :func:`best_cell` keeps between pushes."""
    row = np.empty(size, dtype=np.float32)
    norm, state = np.zeros(size, dtype=np.float32), np.empty(size, dtype=np.float32)
    middle, clean, own = np.empty(frames), np.empty(frames), np.empty(frames)
    gain, root, white, pull = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    known_gain, known_root = np.zeros(frames), np.zeros(frames)
    return row, (norm, state, middle, clean, own, gain, root, white, pull, known_gain, known_root)


@njit(cache=True, nogil=True)
def best_cell(data, variance, step_variance, shared_variance, robust, cells, inflation, row, work):
    """Index of the cell that explains most of one push; `row` takes the scores, `inflation` what was left out [-]."""
    norm, state, middle, clean, own, gain, root, white, pull, known_gain, known_root = work
    if robust:
        _gross(data, variance, middle, clean, inflation)
    largest = 0.0
    for k in range(data.size):
        own[k] = variance[k] * inflation[k]
        largest = max(largest, own[k])
    for k in range(data.size):
        own[k] /= largest
    _gains(own, step_variance / largest, shared_variance / largest, gain, root)
    # Pushes with one and the same noise model share the lengths of the cells.
    same = True
    for k in range(data.size):
        same = same and gain[k] == known_gain[k] and root[k] == known_root[k]
        known_gain[k], known_root[k] = gain[k], root[k]
    if not same:
        _norms(cells, gain, root, state, norm)
    _whiten(data, gain, root, white)
    _unwhiten(white, gain, root, pull)
    _rescale(pull)
    _score(pull, cells, norm, row)
    best = 0
    for j in range(row.size):
        if row[j] > row[best]:
            best = j
    return best


@njit(cache=True, nogil=True)
def pick_starts(
    data, variance, step_variance, shared_variance, robust, cells, columns, share, start_y, start_e, starts, rival,
    inflation,
):  # fmt: skip
    """Best point of the start grid, the best other peak, and whether that one rivals it.

    Parameters
    ----------
    data, variance, step_variance, shared_variance
        As in :func:`fit_pushes`.
    robust : bool
        Whether frames far from the running median of five are left out of the start.
    cells : ndarray of float32, shape (frame, cell)
        Traces of the start grid; cells run over viscosity fastest [-].
    columns : int
        Viscosities in the grid [-].
    share : float
        A peak above this share of the best is a rival [-].
    start_y, start_e : ndarray, shape (line,), (column,)
        ln(G + 10 Pa) and ln eta of the grid [-].
    starts : ndarray, shape (push, 2, 2)
        Filled in [-].
    rival : ndarray of bool, shape (push,)
        Filled in.
    inflation : ndarray, shape (push, frame)
        Variance inflation, raised for the frames left out [-].
    """
    size = cells.shape[1]
    lines = size // columns
    row, work = scoring(size, data.shape[1])
    for p in range(data.shape[0]):
        best = best_cell(
            data[p], variance[p], step_variance[p], shared_variance[p], robust, cells, inflation[p], row, work
        )
        floor = 0.5 * row[best]
        second = -1
        top_i, top_j = best // columns, best % columns
        for here in range(size):
            value = row[here]
            if value <= floor or (second >= 0 and value <= row[second]):
                continue
            i, j = here // columns, here % columns
            if abs(i - top_i) <= 1 and abs(j - top_j) <= 1:
                continue
            # Most cells are no peak along their line already.
            if (j > 0 and row[here - 1] > value) or (j < columns - 1 and row[here + 1] > value):
                continue
            peak = True
            for ii in range(max(i - 1, 0), min(i + 2, lines)):
                for jj in range(max(j - 1, 0), min(j + 2, columns)):
                    if row[ii * columns + jj] > value:
                        peak = False
            if peak:
                second = here
        rival[p] = second >= 0 and row[second] > share * row[best]
        for which in range(2):
            here = second if which == 1 and second >= 0 else best
            i, j = here // columns, here % columns
            starts[p, which, 0], starts[p, which, 1] = start_y[i], start_e[j]
            if 0 < i < lines - 1:
                shift = _vertex(row[here - columns], row[here], row[here + columns])
                starts[p, which, 0] += shift * (
                    start_y[i + 1] - start_y[i] if shift > 0 else start_y[i] - start_y[i - 1]
                )
            if 0 < j < columns - 1:
                shift = _vertex(row[here - 1], row[here], row[here + 1])
                starts[p, which, 1] += shift * (
                    start_e[j + 1] - start_e[j] if shift > 0 else start_e[j] - start_e[j - 1]
                )
