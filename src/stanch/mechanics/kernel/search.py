"""The search for modulus and viscosity of one push from one start, with the force projected out."""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from stanch.mechanics.kernel.elementary import _LOOSE
from stanch.mechanics.kernel.noise import _pair, _whiten_three
from stanch.mechanics.kernel.oscillator import _trace

__all__ = ["AT_BOUND", "CONVERGED", "NO_PUSH", "STALLED"]

CONVERGED, STALLED, AT_BOUND, NO_PUSH = 0, 1, 2, 3
LOW_Y, HIGH_Y = math.log(0.5), math.log(2e5)
SLOW, NUDGE = 8, 1e-4
LOW_E, HIGH_E = math.log(1e-5), math.log(100.0)


@njit(cache=True, nogil=True)
def _evaluate(y, e, coefficient, scale, time, inside, after, spacing, duration, gain, root, white, work, raw, model):
    """Whitened model and derivatives at (y, ln eta); returns cost and force."""
    modulus, viscosity = math.exp(y) - 10.0, math.exp(e)
    _trace(modulus, viscosity, coefficient, scale, time, inside, after, spacing, duration, work, raw)
    _whiten_three(raw, modulus + 10.0, viscosity, gain, root, model)
    norm, product, total = _pair(model[0], white)
    if not norm > 0.0:
        return np.inf, 0.0
    force = product / norm
    return total - force * force * norm, force


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _products(m, y, e, white):
    """Inner products mm, my, me, yy, ye, ee, y-white and e-white."""
    mm, my, me, yy, ye, ee, y_white, e_white = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for k in range(m.size):
        mm += m[k] * m[k]
        my += m[k] * y[k]
        me += m[k] * e[k]
        yy += y[k] * y[k]
        ye += y[k] * e[k]
        ee += e[k] * e[k]
        y_white += y[k] * white[k]
        e_white += e[k] * white[k]
    return mm, my, me, yy, ye, ee, y_white, e_white


@njit(cache=True, nogil=True)
def _normal(force, white, model, out):
    """Gauss-Newton matrix and gradient of the projected residual (Kaufman's form) into out[0..4]."""
    norm, my, me, yy, ye, ee, y_white, e_white = _products(model[0], model[1], model[2], white)
    out[0] = force * force * (yy - my * my / norm)
    out[1] = force * force * (ye - my * me / norm)
    out[2] = force * force * (ee - me * me / norm)
    # The residual is orthogonal to the model, so its product with the projected derivative is that with the plain one.
    out[3] = force * (y_white - force * my)
    out[4] = force * (e_white - force * me)


@njit(cache=True, nogil=True)
def _search(
    y,
    e,
    most,
    tolerance,
    coefficient,
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
):
    """Damped Gauss-Newton from one start; returns y, e, force, cost, status, evaluations."""
    cost, force = _evaluate(
        y, e, coefficient, scale, time, inside, after, spacing, duration, gain, root, white, work, raw, model
    )
    count = 1
    damp = 0.0
    if not (cost < np.inf and force != 0.0):
        return y, e, force, cost, NO_PUSH, count
    _normal(force, white, model, normal)
    shifted = np.empty((2, 5))
    status = STALLED
    here = True
    while count < most:
        if count > SLOW and here:
            # Large residuals make Gauss-Newton creep or swing: take the curvature of the sum of squares itself.
            old_y, old_e = normal[3], normal[4]
            for j in range(2):
                _, f = _evaluate(
                    y + (NUDGE if j == 0 else 0.0), e + (NUDGE if j == 1 else 0.0), coefficient, scale, time, inside,
                    after, spacing, duration, gain, root, white, work, raw, model,
                )  # fmt: skip
                _normal(f, white, model, shifted[j])
            count += 2
            here = False
            first = (old_y - shifted[0, 3]) / NUDGE
            mixed = 0.5 * (old_e - shifted[0, 4] + old_y - shifted[1, 3]) / NUDGE
            last = (old_e - shifted[1, 4]) / NUDGE
            if first > 0.0 and first * last > mixed * mixed:
                normal[0], normal[1], normal[2] = first, mixed, last
        a, b, c = normal[0] * (1 + damp), normal[1], normal[2] * (1 + damp)
        a += 1e-300
        c += 1e-12 * a + 1e-300
        det = a * c - b * b
        if not det > 0.0:
            damp = max(10 * damp, 1e-3)
            count += 1
            continue
        dy = (c * normal[3] - b * normal[4]) / det
        de = (a * normal[4] - b * normal[3]) / det
        predicted = dy * normal[3] + de * normal[4]
        shrink = max(1.0, max(abs(dy), abs(de) / 1.5))
        dy /= shrink
        de /= shrink
        ty = min(max(y + dy, LOW_Y), HIGH_Y)
        te = min(max(e + de, LOW_E), HIGH_E)
        if predicted < tolerance and shrink == 1.0:
            # The step is far below the standard errors: take it and spare the evaluation.
            status = AT_BOUND if ty != y + dy or te != e + de else CONVERGED
            if not here:
                _evaluate(
                    y,
                    e,
                    coefficient,
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
            return ty, te, force, cost, status, count
        new_cost, new_force = _evaluate(
            ty, te, coefficient, scale, time, inside, after, spacing, duration, gain, root, white, work, raw, model
        )
        count += 1
        if new_cost <= cost * (1 + 1e-14) and new_force != 0.0:
            stuck = ty == y and te == e
            y, e, cost, force = ty, te, new_cost, new_force
            here = True
            _normal(force, white, model, normal)
            damp = 0.0 if damp < 1e-2 else damp * 0.1
            if stuck:
                status = AT_BOUND
                break
        else:
            here = False
            damp = max(10 * damp, 1e-2)
            if damp > 1e8:
                break
    if not here:
        _evaluate(y, e, coefficient, scale, time, inside, after, spacing, duration, gain, root, white, work, raw, model)
    return y, e, force, cost, status, count
