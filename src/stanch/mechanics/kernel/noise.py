"""The noise model along the frames: whitening by recurrence, its inverse, and inner products of white rows."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

from numba import njit

from stanch.mechanics.kernel.elementary import _LOOSE

__all__: list[str] = []


@njit(cache=True, nogil=True)
def _gains(variance, step_variance, shared_variance, gain, root):
    """Kalman gain and 1/sqrt(innovation variance) along the frames; a refused frame (variance 0) has root 0."""
    p = shared_variance
    for k in range(variance.size):
        p += step_variance[k]
        if variance[k] <= 0.0:
            gain[k], root[k] = 0.0, 0.0
            continue
        inverse = 1.0 / (p + variance[k])
        gain[k], root[k] = p * inverse, math.sqrt(inverse)
        p = gain[k] * variance[k]


@njit(cache=True, nogil=True)
def _whiten(trace, gain, root, out):
    """Standardised innovations of a trace: linear, and orthonormal under the noise model."""
    x = 0.0
    for k in range(trace.size):
        if root[k] == 0.0:
            out[k] = 0.0
            continue
        v = trace[k] - x
        out[k] = v * root[k]
        x += gain[k] * v


@njit(cache=True, nogil=True)
def _whiten_three(raw, by_y, by_e, gain, root, out):
    """:func:`_whiten` of a trace and of its derivatives times two factors, side by side."""
    x, x_y, x_e = 0.0, 0.0, 0.0
    for k in range(gain.size):
        if root[k] == 0.0:
            out[0, k], out[1, k], out[2, k] = 0.0, 0.0, 0.0
            continue
        v, v_y, v_e = raw[0, k] - x, raw[1, k] * by_y - x_y, raw[2, k] * by_e - x_e
        out[0, k], out[1, k], out[2, k] = v * root[k], v_y * root[k], v_e * root[k]
        x += gain[k] * v
        x_y += gain[k] * v_y
        x_e += gain[k] * v_e


@njit(cache=True, nogil=True)
def _unwhiten(white, gain, root, out):
    """Inverse covariance times the trace, by the backward pass that follows :func:`_whiten`."""
    r = 0.0
    for k in range(white.size - 1, -1, -1):
        if root[k] == 0.0:
            out[k] = 0.0
            continue
        v = white[k] * root[k]
        out[k] = v - gain[k] * r
        r = v + (1.0 - gain[k]) * r


@njit(cache=True, nogil=True)
def _precision(gain, root, out):
    """Diagonal of the inverse covariance."""
    n = 0.0
    for k in range(gain.size - 1, -1, -1):
        if root[k] == 0.0:
            out[k] = 0.0
            continue
        inverse = root[k] * root[k]
        out[k] = inverse + gain[k] * gain[k] * n
        n = inverse + (1.0 - gain[k]) * (1.0 - gain[k]) * n


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _dot(a, b):
    total = 0.0
    for k in range(a.size):
        total += a[k] * b[k]
    return total


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _pair(a, b):
    """Inner products of two vectors with themselves and each other: aa, ab, bb."""
    aa, ab, bb = 0.0, 0.0, 0.0
    for k in range(a.size):
        aa += a[k] * a[k]
        ab += a[k] * b[k]
        bb += b[k] * b[k]
    return aa, ab, bb
