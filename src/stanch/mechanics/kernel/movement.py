"""Traces of many pushes, and of several sets of coefficients at one medium."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import numpy as np
from numba import njit

from stanch.mechanics.kernel.elementary import _LOOSE
from stanch.mechanics.kernel.oscillator import _EC, _ES, _ONE, _Q, _TWO, _U, WORK, S, _basis, _step, _trace

__all__ = ["traces"]


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _sums(coefficient, rows, work, at, out, k):
    """Sums over rows of one slot with several sets of coefficients."""
    for j in range(coefficient.shape[0]):
        total = 0.0
        c = coefficient[j]
        for n in range(rows):
            total += c[n] * work[at + n]
        out[j, k] = total


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _march_values(work, coefficient, blocks, frames, out, first):
    """Advance all rows over equally spaced frames, four at a time, and add them up with several sets of coefficients.

    The first two frames stand in slots of their own; the first four slots are overwritten.
    """
    rows = coefficient.shape[1]
    for n in range(8 * blocks):
        x, y, alpha, beta = work[_ONE + n], work[_TWO + n], work[6 * S + n], work[7 * S + n]
        work[n], work[S + n] = x, y
        x = alpha * y - beta * x
        work[2 * S + n], work[3 * S + n] = x, alpha * x - beta * y
    for k in range(0, frames, 4):
        here = first + k
        for j in range(coefficient.shape[0]):
            c = coefficient[j]
            p, q, r, s = 0.0, 0.0, 0.0, 0.0
            for n in range(rows):
                p += c[n] * work[n]
                q += c[n] * work[S + n]
                r += c[n] * work[2 * S + n]
                s += c[n] * work[3 * S + n]
            out[j, here] = p
            if k + 1 < frames:
                out[j, here + 1] = q
            if k + 2 < frames:
                out[j, here + 2] = r
            if k + 3 < frames:
                out[j, here + 3] = s
        for n in range(8 * blocks):
            alpha, beta = work[6 * S + n], work[7 * S + n]
            x, y = work[2 * S + n], work[3 * S + n]
            x = alpha * y - beta * x
            y = alpha * x - beta * y
            work[n], work[S + n] = x, y
            x = alpha * y - beta * x
            work[2 * S + n], work[3 * S + n] = x, alpha * x - beta * y


@njit(cache=True, nogil=True)
def _trace_values(coefficient, scale, time, inside, after, spacing, duration, work, out):
    """Traces per unit force, without derivatives, for several sets of coefficients, shape (set, row), into out.

    At the modulus and viscosity of the :func:`_trace` just before, of which the work space is left.
    """
    rows, frames, blocks = scale.size, time.size, (scale.size + 7) // 8
    out[:, :inside] = 0.0
    if spacing == 0.0:
        for k in range(after, frames):
            _basis(time[k] - duration, blocks, work)
            for n in range(rows):
                work[n] = work[_EC + n] * work[_Q + n] + work[_ES + n] * work[_U + n]
            _sums(coefficient, rows, work, 0, out, k)
    elif after < frames:
        _march_values(work, coefficient, blocks, frames - after, out, after)
    for k in range(inside, after):
        _basis(time[k], blocks, work)
        _step(time[k], blocks, work)
        _sums(coefficient, rows, work, _Q, out, k)


@njit(cache=True, nogil=True)
def traces(modulus, viscosity, coefficient, scale, time, inside, after, spacing, duration, out):
    """Traces per unit force and density 1 with their derivatives in G and eta.

    Parameters
    ----------
    modulus, viscosity : ndarray, shape (push,)
        [Pa], [Pa·s].
    coefficient : ndarray, shape (push, row)
        [-].
    scale : ndarray, shape (row,)
        Eigenvalue over density [m/kg].
    time : ndarray, shape (frame,)
        Ascending [s].
    inside, after : int
        First frame after the start, and after the end, of the push [-].
    spacing : float
        Of the frames after the push, 0 where they are irregular [s].
    duration : float
        Of the push [s].
    out : ndarray, shape (push, 3, frame)
        Filled in [m], [m/Pa], [m/(Pa·s)].
    """
    work = np.zeros(WORK)
    for p in range(modulus.size):
        _trace(modulus[p], viscosity[p], coefficient[p], scale, time, inside, after, spacing, duration, work, out[p])
