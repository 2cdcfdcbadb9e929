"""Every push linearised at its solution, with the speckle deviations."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import numpy as np
from numba import njit

from stanch.mechanics.kernel.movement import _trace_values
from stanch.mechanics.kernel.noise import _dot, _gains, _whiten
from stanch.mechanics.kernel.oscillator import WORK
from stanch.mechanics.kernel.search import _evaluate

__all__ = ["linearise_pushes"]


@njit(cache=True, nogil=True)
def linearise_pushes(
    data,
    variance,
    step_variance,
    shared_variance,
    coefficient,
    slope,
    bending,
    scale,
    time,
    inside,
    after,
    spacing,
    duration,
    y,
    e,
    inflation,
    force,
    information,
    gradient,
    cost,
    fitted,
    bent,
):
    """Linearise every push at its solution.

    Parameters
    ----------
    data, variance, step_variance, shared_variance, scale, time, inside, after, spacing, duration, inflation
        As in :func:`fit_pushes`.
    coefficient : ndarray, shape (push, row)
        At the present speckle deviations, over density [m^3/kg].
    slope : ndarray, shape (push, order, row)
        Its derivatives with respect to them [m^3/kg].
    bending : float
        What the last deviation multiplies, besides the square of the first derivative's movement; 0 for no such
        deviation [1/m].
    y, e : ndarray, shape (push,)
        Solution [-].
    force : ndarray, shape (push,)
        Filled in [N/m^3].
    information : ndarray, shape (push, 3 + deviation, 3 + deviation)
        Filled in: of y, ln eta, ln F and the speckle deviations [-].
    gradient : ndarray, shape (push, 3 + deviation)
        Filled in: derivative times whitened residual [-].
    cost : ndarray, shape (push,)
        Filled in: weighted sum of squares over frames that are not held down [-].
    fitted : ndarray, shape (push, frame)
        Filled in [m].
    bent : ndarray, shape (push, frame)
        Filled in: movement per unit of the last deviation [m].
    """
    frames = time.size
    work = np.zeros(WORK)
    terms = slope.shape[1]
    orders = terms + (1 if bending != 0.0 else 0)
    raw, extra = np.empty((3, frames)), np.empty((orders, frames))
    # Rows and frames are padded with zeros to whole vector instructions.
    padded, long = np.zeros((terms, 16 * ((scale.size + 15) // 16))), 16 * ((frames + 15) // 16)
    column, residual = np.zeros((3 + orders, long)), np.zeros(long)
    own, gain, root, white = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    model = np.empty((3, frames))
    for p in range(data.shape[0]):
        for k in range(frames):
            own[k] = variance[p, k] * inflation[p, k]
        _gains(own, step_variance[p], shared_variance[p], gain, root)
        _whiten(data[p], gain, root, white)
        _, f = _evaluate(
            y[p],
            e[p],
            coefficient[p],
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
        )
        force[p] = f
        if terms > 0:
            padded[:, : scale.size] = slope[p]
            _trace_values(padded, scale, time, inside, after, spacing, duration, work, extra[:terms])
            if bending != 0.0:
                for k in range(frames):
                    extra[terms, k] = bending * f * extra[0, k] * extra[0, k]
                    bent[p, k] = f * extra[terms, k]
            for j in range(orders):
                _whiten(extra[j], gain, root, column[3 + j])
        total = 0.0
        for k in range(frames):
            fitted[p, k] = f * raw[0, k]
            column[0, k], column[1, k], column[2, k] = f * model[1, k], f * model[2, k], f * model[0, k]
            for j in range(orders):
                column[3 + j, k] *= f
            residual[k] = white[k] - f * model[0, k]
            if inflation[p, k] == 1.0:
                total += residual[k] * residual[k]
        cost[p] = total
        for i in range(3 + orders):
            gradient[p, i] = _dot(column[i], residual)
            for j in range(i + 1):
                information[p, i, j] = _dot(column[i], column[j])
                information[p, j, i] = information[p, i, j]
