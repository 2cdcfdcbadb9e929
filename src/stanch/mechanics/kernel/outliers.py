"""Frames that do not belong to a push: found before the fit by their neighbours and after it by leaving them out."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from stanch.mechanics.kernel.noise import _precision, _unwhiten

__all__: list[str] = []


@njit(cache=True, nogil=True)
def _middle(values, n):
    """Median of the first n values, which are sorted in place."""
    for k in range(1, n):
        x = values[k]
        i = k
        while i > 0 and values[i - 1] > x:
            values[i] = values[i - 1]
            i -= 1
        values[i] = x
    return 0.5 * (values[(n - 1) // 2] + values[n // 2])


@njit(cache=True, nogil=True)
def _outliers(threshold, force, variance, gain, root, model, white, inflation, scratch):
    """New variance inflation of every frame from its leave-one-out residual; returns whether any changed much."""
    frames = white.size
    u, d, residual = scratch[0], scratch[1], scratch[2]
    for k in range(frames):
        residual[k] = white[k] - force * model[0, k]
    _unwhiten(residual, gain, root, u)
    _precision(gain, root, d)
    largest = 0.0
    widest = 1.0
    n = 0
    for k in range(frames):
        widest = max(widest, inflation[k])
        if root[k] == 0.0:
            u[k] = 0.0
            continue
        own = variance[k] / inflation[k]
        # Error of this frame as the others predict it, over its own standard deviation before any inflation.
        u[k] = abs(u[k] / d[k]) / math.sqrt(max(1.0 / d[k] - variance[k] + own, own))
        residual[n] = u[k]
        n += 1
        largest = max(largest, u[k])
    if largest <= threshold and widest == 1.0:
        return False
    spread = max(1.0, _middle(residual, n) / 0.6744897501960817)
    changed = False
    for k in range(frames):
        if root[k] == 0.0:
            continue
        ratio = u[k] / (threshold * spread)
        new = ratio * ratio * ratio * ratio if ratio > 1.0 else 1.0
        if abs(new - inflation[k]) > 0.02 * new:
            changed = True
        variance[k] *= new / inflation[k]
        inflation[k] = new
    return changed


@njit(cache=True, nogil=True)
def _gross(data, variance, middle, clean, inflation):
    """Replace frames that leave the running median by half the range of the trace; returns whether any did."""
    frames = data.size
    window = np.empty(5)
    low, high = np.inf, -np.inf
    for k in range(frames):
        n = 0
        for j in range(max(k - 2, 0), min(k + 3, frames)):
            if variance[j] > 0.0:
                # Sorted insertion of at most five values.
                i = n
                while i > 0 and window[i - 1] > data[j]:
                    window[i] = window[i - 1]
                    i -= 1
                window[i] = data[j]
                n += 1
        middle[k] = 0.0 if n == 0 else 0.5 * (window[(n - 1) // 2] + window[n // 2])
        if n > 0:
            low, high = min(low, middle[k]), max(high, middle[k])
    found = False
    for k in range(frames):
        clean[k] = data[k]
        if variance[k] <= 0.0:
            continue
        sd = math.sqrt(variance[k])
        away = abs(data[k] - middle[k])
        if away > 0.5 * (high - low) + 6.0 * sd:
            clean[k] = middle[k]
            inflation[k] = max(inflation[k], (away / (4.0 * sd)) ** 4)
            found = True
    return found
