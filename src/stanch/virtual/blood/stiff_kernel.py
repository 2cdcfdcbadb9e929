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
    -0.6762803392806898,
    6.087714651680606,
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
def integrate(lists, constants, initial, interval, rtol, atol, most, out, counts):
    """March from 0 over the even grid of `out` (time, species); species in the network's order.

    Returns how it ended and the time reached; counts: steps taken, refused, right-hand sides, factorisations.
    """
    order, starts, columns, diagonal, targets, first, second, cs, ct, cz, ss, sl, sz = lists
    n = len(order)
    n_grid = len(out)
    end = interval * (n_grid - 1)
    y = np.ones(n + 1)
    u = np.ones(n + 1)
    allowed = np.empty(n)
    for s in range(n):
        y[s] = initial[order[s]]
        out[0, order[s]] = y[s]
        allowed[s] = atol[order[s]]
    flow = np.empty(len(constants))
    slopes = np.empty(2 * len(constants))
    jac = np.empty(len(columns))
    w = np.empty(len(columns))
    inverse = np.empty(n)
    f0 = np.empty(n)
    f = np.empty(n)
    k1 = np.empty(n)
    k2 = np.empty(n)
    k3 = np.empty(n)
    k4 = np.empty(n)
    k5 = np.empty(n)
    k6 = np.empty(n)

    rates(y, constants, n, first, second, cs, ct, cz, flow, f0)
    size = _norm(f0, y, y, rtol, allowed) * rtol
    h = end if size == 0.0 else min(end, 1e-2 / size * rtol**0.25)
    t = 0.0
    at = 1
    fresh = False
    refused = False
    before = 1.0
    h_before = h
    while at < n_grid:
        if counts[0] + counts[1] >= most:
            return TOO_MANY, t
        if not h > 1e-14 * max(t, 1e-6):
            return TOO_SMALL, t
        if not fresh:
            if counts[0] > 0:
                rates(y, constants, n, first, second, cs, ct, cz, flow, f0)
            jacobian(y, constants, first, second, ss, sl, sz, slopes, jac)
            fresh = True
        _factorise(jac, 1.0 / (h * GAMMA), starts, columns, diagonal, targets, w, inverse)
        counts[3] += 1
        i = 1.0 / h
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
        counts[2] += 6
        error = _norm(k6, y[:n], u[:n], rtol, allowed)
        if not math.isfinite(error):
            counts[1] += 1
            refused = True
            h *= 0.1
            continue
        # Below zero, what a species makes of itself would grow towards minus infinity.
        if error <= 1.0 and _below(u, allowed):
            counts[1] += 1
            refused = True
            h *= 0.5
            continue
        scale = min(5.0, max(0.125, 0.9 * max(error, 1e-10) ** -0.25))
        if error > 1.0:
            counts[1] += 1
            refused = True
            h *= scale
            continue
        if counts[0] > 0:
            # Gustafsson 1994, ACM TOMS 20:496: the step is foreseen from the two errors before it.
            foreseen = 0.9 * (h / h_before) * (before / max(error, 1e-10) ** 2) ** 0.25
            scale = min(scale, min(5.0, max(0.125, foreseen)))
        if refused:
            scale = min(scale, 1.0)
        before = max(error, 1e-2)
        h_before = h
        reached = t + h
        if interval * at <= reached:
            for s in range(n):
                f[s] = D21 * k1[s] + D22 * k2[s] + D23 * k3[s] + D24 * k4[s] + D25 * k5[s]
                k6[s] = D31 * k1[s] + D32 * k2[s] + D33 * k3[s] + D34 * k4[s] + D35 * k5[s]
            while at < n_grid and interval * at <= reached:
                x = (interval * at - t) / h
                for s in range(n):
                    between = y[s] * (1.0 - x) + x * (u[s] + (1.0 - x) * (f[s] + x * k6[s]))
                    out[at, order[s]] = max(between, 0.0)
                at += 1
        for s in range(n):
            y[s] = max(u[s], 0.0)
        t = reached
        counts[0] += 1
        fresh = False
        refused = False
        h *= scale
    return DONE, t
