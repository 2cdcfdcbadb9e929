"""The fit of every push."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import numpy as np
from numba import njit

from stanch.mechanics.kernel.noise import _dot, _gains, _whiten
from stanch.mechanics.kernel.oscillator import WORK
from stanch.mechanics.kernel.outliers import _outliers
from stanch.mechanics.kernel.search import CONVERGED, NO_PUSH, _evaluate, _search

__all__ = ["fit_pushes"]


@njit(cache=True, nogil=True)
def fit_pushes(
    data,
    variance,
    step_variance,
    shared_variance,
    coefficient,
    scale,
    time,
    inside,
    after,
    spacing,
    duration,
    starts,
    rival,
    threshold,
    retry,
    slack,
    most,
    tolerance,
    inflation,
    y,
    e,
    cost,
    status,
    count,
):
    """Fit every push by itself: ln(G + 10 Pa) and ln eta, the force projected out, outlying frames held down.

    Parameters
    ----------
    data, variance, step_variance : ndarray, shape (push, frame)
        Displacement [m] and variances [m^2]; variance 0 marks a refused frame.
    shared_variance : ndarray, shape (push,)
        [m^2].
    coefficient : ndarray, shape (push, row)
        Over density [m^3/kg].
    scale, time, inside, after, spacing, duration
        As in :func:`traces`.
    starts : ndarray, shape (push, 2, 2)
        First and second start, as y and ln eta [-].
    rival : ndarray of bool, shape (push,)
        Whether the second start is tried even where the first fits, when little movement is seen.
    threshold : float
        Leave-one-out residual beyond which a frame is held down, infinite to switch off [standard deviations].
    retry : float
        Reduced sum of squares above which the second start is tried [-].
    slack : float
        Unexplained share of the weighted sum of squares up to which it is not [-].
    most : int
        Evaluations per start [-].
    tolerance : float
        Predicted change of the weighted sum of squares at which a search ends [-].
    inflation : ndarray, shape (push, frame)
        In: variance inflation to begin with; out: the final one [-].
    y, e, cost : ndarray, shape (push,)
        Filled in [-].
    status, count : ndarray of int64, shape (push,)
        Filled in: how the search ended, and evaluations.
    """
    frames = time.size
    work = np.zeros(WORK)
    raw, model, scratch = np.empty((3, frames)), np.empty((3, frames)), np.empty((3, frames))
    own, gain, root, white = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    normal = np.zeros(5)
    for p in range(data.shape[0]):
        c = coefficient[p]
        used = 0
        for k in range(frames):
            own[k] = variance[p, k] * inflation[p, k]
            used += own[k] > 0.0
        _gains(own, step_variance[p], shared_variance[p], gain, root)
        _whiten(data[p], gain, root, white)
        y1, e1, f1, cost1, state1, n1 = _search(
            starts[p, 0, 0],
            starts[p, 0, 1],
            most,
            tolerance,
            c,
            scale,
            time,
            inside,
            after,
            spacing,
            duration,
            gain,
            root,
            white,
            work,
            raw,
            model,
            normal,
        )
        total = n1
        explained = _dot(white, white) - cost1
        bad = state1 != CONVERGED or f1 <= 0.0 or cost1 > max(retry * max(used - 3, 1), slack * _dot(white, white))
        unsure = rival[p] and explained < 2000.0
        if (unsure or bad) and (starts[p, 1, 0] != starts[p, 0, 0] or starts[p, 1, 1] != starts[p, 0, 1]):
            y2, e2, f2, cost2, state2, n2 = _search(
                starts[p, 1, 0],
                starts[p, 1, 1],
                most,
                tolerance,
                c,
                scale,
                time,
                inside,
                after,
                spacing,
                duration,
                gain,
                root,
                white,
                work,
                raw,
                model,
                normal,
            )
            total += n2
            if (f2 > 0.0 and f1 <= 0.0) or (cost2 < cost1 and (f2 > 0.0 or f1 <= 0.0)):
                y1, e1, f1, cost1, state1 = y2, e2, f2, cost2, state2
            else:
                _evaluate(y1, e1, c, scale, time, inside, after, spacing, duration, gain, root, white, work, raw, model)
        if threshold < np.inf and used > 4 and state1 != NO_PUSH:
            for _ in range(8):
                if not _outliers(threshold, f1, own, gain, root, model, white, inflation[p], scratch):
                    break
                _gains(own, step_variance[p], shared_variance[p], gain, root)
                _whiten(data[p], gain, root, white)
                y1, e1, f1, cost1, state1, n1 = _search(
                    y1,
                    e1,
                    most,
                    tolerance,
                    c,
                    scale,
                    time,
                    inside,
                    after,
                    spacing,
                    duration,
                    gain,
                    root,
                    white,
                    work,
                    raw,
                    model,
                    normal,
                )
                total += n1
        y[p], e[p], cost[p], status[p], count[p] = y1, e1, cost1, state1, total
