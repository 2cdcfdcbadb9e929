"""The compiled form of :mod:`stanch.virtual.blood.stiff`.

Importing this module loads numba; import it only where a network is solved.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["DONE", "TOO_MANY", "TOO_SMALL", "integrate", "jacobian", "rates"]

DONE, TOO_SMALL, TOO_MANY = 0, 1, 2
SMALLEST, LARGEST = 0.125, 5.0

GAMMA = 0.25
A21 = 1.544
A31, A32 = 0.9466785280815826, 0.2557011698983284
A41, A42, A43 = 3.314825187068521, 2.896124015972201, 0.9986419139977817
A51, A52, A53, A54 = 1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950
C21 = -5.6688
C31, C32 = -2.430093356833875, -0.2063599157091915
C41, C42, C43 = -0.1073529058151375, -9.594562251023355, -20.47028614809616
C51, C52, C53, C54 = 7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160
C61, C62, C63, C64, C65 = (
    8.083246795921522,
    -7.981132988064893,
    -31.52159432874371,
    16.31930543123136,
    -6.058818238834054,
)
D21, D22, D23, D24, D25 = (
    10.12623508344586,
    -7.487995877610167,
    -34.80091861555747,
    -7.992771707568823,
    1.025137723295662,
)
D31, D32, D33, D34, D35 = (
    -0.6762803392801253,
    6.087714651680015,
    16.43084320892478,
    24.76722511418386,
    -6.594389125716872,
)


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz"}, error_model="numpy")
def rates(y, k, n, first, second, change_starts, change_steps, change_sizes, flow, out):
    """Rates of change; y holds a 1 behind its n concentrations."""
    for r in range(len(k)):
        flow[r] = k[r] * y[first[r]] * y[second[r]]
    for s in range(n):
        total = 0.0
        for e in range(change_starts[s], change_starts[s + 1]):
            total += change_sizes[e] * flow[change_steps[e]]
        out[s] = total


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz"}, error_model="numpy")
def jacobian(y, k, first, second, slope_starts, slope_slots, slope_sizes, slopes, out):
    """Entries of the Jacobian on the filled pattern."""
    for r in range(len(k)):
        slopes[2 * r] = k[r] * y[second[r]]
        slopes[2 * r + 1] = k[r] * y[first[r]]
    for p in range(len(out)):
        total = 0.0
        for e in range(slope_starts[p], slope_starts[p + 1]):
            total += slope_sizes[e] * slopes[slope_slots[e]]
        out[p] = total


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz"}, error_model="numpy")
def _factorise(jac, shift, starts, columns, diagonal, targets, w, inverse):
    """Factors of shift I - J in place of its entries; inverses of the pivots apart."""
    n = len(diagonal)
    for p in range(len(jac)):
        w[p] = -jac[p]
    for i in range(n):
        w[diagonal[i]] += shift
    t = 0
    for i in range(n):
        for p in range(starts[i], diagonal[i]):
            k = columns[p]
            factor = w[p] * inverse[k]
            w[p] = factor
            for q in range(diagonal[k] + 1, starts[k + 1]):
                w[targets[t]] -= factor * w[q]
                t += 1
        inverse[i] = 1.0 / w[diagonal[i]]


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz"}, error_model="numpy")
def _solve(w, inverse, starts, columns, diagonal, x):
    """Solve with the factors, in place."""
    n = len(diagonal)
    for i in range(n):
        total = x[i]
        for p in range(starts[i], diagonal[i]):
            total -= w[p] * x[columns[p]]
        x[i] = total
    for i in range(n - 1, -1, -1):
        total = x[i]
        for p in range(diagonal[i] + 1, starts[i + 1]):
            total -= w[p] * x[columns[p]]
        x[i] = total * inverse[i]


@njit(cache=True, nogil=True, error_model="numpy")
def _norm(error, old, new, rtol, atol):
    """Root mean square of the error over what is allowed."""
    n = len(error)
    total = 0.0
    for s in range(n):
        part = error[s] / (atol[s] + rtol * max(abs(old[s]), abs(new[s])))
        total += part * part
    return math.sqrt(total / n)


@njit(cache=True, nogil=True, error_model="numpy")
def _below(y, allowed):
    """Whether a concentration is below zero by more than the absolute error allowed."""
    lowest = 0.0
    for s in range(len(allowed)):
        lowest = min(lowest, y[s] + allowed[s])
    return lowest < 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _attempt(lists, constants, jac, y, h, f0, work, w, inverse, k, u):
    """One step of length h from y to u; the sixth row of k is then its error."""
    starts, columns, diagonal, targets = lists.starts, lists.columns, lists.diagonal, lists.targets
    first, second = lists.first, lists.second
    cs, ct, cz = lists.change_starts, lists.change_steps, lists.change_sizes
    n = len(diagonal)
    f, flow = work
    k1, k2, k3, k4, k5, k6 = k[0], k[1], k[2], k[3], k[4], k[5]
    i = 1.0 / h
    _factorise(jac, i / GAMMA, starts, columns, diagonal, targets, w, inverse)
    for s in range(n):
        k1[s] = f0[s]
    _solve(w, inverse, starts, columns, diagonal, k1)
    for s in range(n):
        u[s] = y[s] + A21 * k1[s]
    rates(u, constants, n, first, second, cs, ct, cz, flow, f)
    for s in range(n):
        k2[s] = f[s] + i * (C21 * k1[s])
    _solve(w, inverse, starts, columns, diagonal, k2)
    for s in range(n):
        u[s] = y[s] + A31 * k1[s] + A32 * k2[s]
    rates(u, constants, n, first, second, cs, ct, cz, flow, f)
    for s in range(n):
        k3[s] = f[s] + i * (C31 * k1[s] + C32 * k2[s])
    _solve(w, inverse, starts, columns, diagonal, k3)
    for s in range(n):
        u[s] = y[s] + A41 * k1[s] + A42 * k2[s] + A43 * k3[s]
    rates(u, constants, n, first, second, cs, ct, cz, flow, f)
    for s in range(n):
        k4[s] = f[s] + i * (C41 * k1[s] + C42 * k2[s] + C43 * k3[s])
    _solve(w, inverse, starts, columns, diagonal, k4)
    for s in range(n):
        u[s] = y[s] + A51 * k1[s] + A52 * k2[s] + A53 * k3[s] + A54 * k4[s]
    rates(u, constants, n, first, second, cs, ct, cz, flow, f)
    for s in range(n):
        k5[s] = f[s] + i * (C51 * k1[s] + C52 * k2[s] + C53 * k3[s] + C54 * k4[s])
    _solve(w, inverse, starts, columns, diagonal, k5)
    for s in range(n):
        u[s] += k5[s]
    rates(u, constants, n, first, second, cs, ct, cz, flow, f)
    for s in range(n):
        k6[s] = f[s] + i * (C61 * k1[s] + C62 * k2[s] + C63 * k3[s] + C64 * k4[s] + C65 * k5[s])
    _solve(w, inverse, starts, columns, diagonal, k6)
    for s in range(n):
        u[s] += k6[s]


@njit(cache=True, nogil=True, error_model="numpy")
def _record(out, at, interval, t, h, y, u, k, order):
    """Values on the grid within a step; the number of the next grid point."""
    if at == len(out) or interval * at > t + h:
        return at
    k1, k2, k3, k4, k5, square, cube = k[0], k[1], k[2], k[3], k[4], k[6], k[7]
    for s in range(len(order)):
        square[s] = D21 * k1[s] + D22 * k2[s] + D23 * k3[s] + D24 * k4[s] + D25 * k5[s]
        cube[s] = D31 * k1[s] + D32 * k2[s] + D33 * k3[s] + D34 * k4[s] + D35 * k5[s]
    while at < len(out) and interval * at <= t + h:
        x = (interval * at - t) / h
        for s in range(len(order)):
            between = y[s] * (1.0 - x) + x * (u[s] + (1.0 - x) * (square[s] + x * cube[s]))
            out[at, order[s]] = max(between, 0.0)
        at += 1
    return at


@njit(cache=True, nogil=True, error_model="numpy")
def _scale(error, before, h, h_before, first, refused):
    """Factor from a step that was accepted to the next."""
    error = max(error, 1e-10)
    scale = 0.9 * error**-0.25
    if not first:
        # Gustafsson 1994, ACM TOMS 20:496: the step is foreseen from the two errors before it.
        scale = min(scale, 0.9 * (h / h_before) * (before / error**2) ** 0.25)
    scale = min(LARGEST, max(SMALLEST, scale))
    return min(scale, 1.0) if refused else scale


@njit(cache=True, nogil=True, error_model="numpy")
def integrate(lists, constants, initial, interval, rtol, atol, most, out, counts):
    """March from 0 over the even grid of `out` (time, species); species in the network's order.

    Returns how it ended and the time reached; counts: steps taken, refused, right-hand sides, factorisations.
    """
    order, first, second = lists.order, lists.first, lists.second
    cs, ct, cz = lists.change_starts, lists.change_steps, lists.change_sizes
    ss, sl, sz = lists.slope_starts, lists.slope_slots, lists.slope_sizes
    n, entries = len(order), len(lists.columns)
    y, u = np.ones(n + 1), np.ones(n + 1)
    allowed = atol[order]
    y[:n] = initial[order]
    out[0] = initial
    flow, slopes = np.empty(len(constants)), np.empty(2 * len(constants))
    jac, w, inverse = np.empty(entries), np.empty(entries), np.empty(n)
    f0, k = np.empty(n), np.empty((8, n))
    work = (np.empty(n), flow)
    rates(y, constants, n, first, second, cs, ct, cz, flow, f0)
    end = interval * (len(out) - 1)
    pace = _norm(f0, y, y, rtol, allowed) * rtol
    h = end if pace == 0.0 else min(end, 1e-2 / pace * rtol**0.25)
    t, at = 0.0, 1
    fresh, refused = False, False
    before, h_before = 1.0, h
    while at < len(out):
        if counts[0] + counts[1] >= most:
            return TOO_MANY, t
        if not h > 1e-14 * max(t, 1e-6):
            return TOO_SMALL, t
        if not fresh:
            rates(y, constants, n, first, second, cs, ct, cz, flow, f0)
            jacobian(y, constants, first, second, ss, sl, sz, slopes, jac)
            fresh = True
            counts[2] += 1
        _attempt(lists, constants, jac, y, h, f0, work, w, inverse, k, u)
        counts[2] += 5
        counts[3] += 1
        error = _norm(k[5], y, u, rtol, allowed)
        # Below zero, what a species makes of itself would grow towards minus infinity.
        if not error <= 1.0 or _below(u, allowed):
            counts[1] += 1
            refused = True
            finite = math.isfinite(error)
            h *= min(0.5, max(SMALLEST, 0.9 * error**-0.25)) if finite and error > 0.0 else SMALLEST
            continue
        scale = _scale(error, before, h, h_before, counts[0] == 0, refused)
        before, h_before = max(error, 1e-2), h
        at = _record(out, at, interval, t, h, y, u, k, order)
        for s in range(n):
            y[s] = max(u[s], 0.0)
        t += h
        h *= scale
        counts[0] += 1
        fresh, refused = False, False
    return DONE, t
