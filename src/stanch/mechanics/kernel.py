"""The compiled form of :mod:`stanch.mechanics.response`: traces by recurrence, whitening, and the fit of every push.

After the push each row moves freely, so at equally spaced frames ``q_(k+1) = alpha q_k - beta q_(k-1)`` with
``alpha = 2 EC(dt)`` and ``beta = exp(-2 b dt)``; the derivatives follow by differentiating that. Rows are innermost, so
that the compiler turns them into vector instructions. Frames before, inside or irregularly spaced after the push are
taken in closed form.

Importing this module loads numba; import it only where pushes are fitted.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

import numpy as np
from numba import njit, types
from numba.extending import intrinsic

__all__ = ["MOST_ROWS", "fit_pushes", "linearise_pushes", "pick_starts", "traces"]

MOST_ROWS = 520
"""Longest table the work space holds; not a power of two in bytes, so that the arrays do not share cache lines."""

S = MOST_ROWS
# Slots of the work space: 0-2 and 3-5 hold the state and its derivatives at two frames, 6-10 what the march needs.
_C, _CS, _W, _B, _EC, _ES, _DS, _SLOW, _FAST, _Q, _QW, _QB, _U, _UW, _UB, _ONE, _TWO = (k * S for k in range(11, 28))
WORK = 28 * S
_LOOSE = {"reassoc", "contract", "nsz", "arcp"}

CONVERGED, STALLED, AT_BOUND, NO_PUSH = 0, 1, 2, 3
LOW_Y, HIGH_Y = math.log(0.5), math.log(2e5)
SLOW, NUDGE = 8, 1e-4
LOW_E, HIGH_E = math.log(1e-5), math.log(100.0)


@intrinsic
def _as_bits(typing_context, value):
    """The bits of a float64 as int64."""
    return types.int64(types.float64), lambda context, builder, _, args: builder.bitcast(
        args[0], context.get_value_type(types.int64)
    )


@intrinsic
def _as_float(typing_context, value):
    """The float64 of these bits."""
    return types.float64(types.int64), lambda context, builder, _, args: builder.bitcast(
        args[0], context.get_value_type(types.float64)
    )


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _exp(x):
    """exp without branches or calls, so that loops over rows become vector instructions."""
    x = min(max(x, -700.0), 700.0)
    # Adding 1.5 * 2^52 rounds to an integer, which then stands in the low bits.
    shifted = x * 1.4426950408889634 + 6755399441055744.0
    k = shifted - 6755399441055744.0
    r = (x - k * 6.93147180369123816490e-01) - k * 1.90821492927058770002e-10
    p = 1.0 / 6227020800
    p = p * r + 1.0 / 479001600
    p = p * r + 1.0 / 39916800
    p = p * r + 1.0 / 3628800
    p = p * r + 1.0 / 362880
    p = p * r + 1.0 / 40320
    p = p * r + 1.0 / 5040
    p = p * r + 1.0 / 720
    p = p * r + 1.0 / 120
    p = p * r + 1.0 / 24
    p = p * r + 1.0 / 6
    p = p * r + 0.5
    p = (p * r + 1.0) * r + 1.0
    return _as_float(_as_bits(p) + (_as_bits(shifted) << 52))


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _cos_sin(x):
    """Cosine and sine without branches or calls, for magnitudes up to a million."""
    shifted = x * 0.6366197723675814 + 6755399441055744.0
    k = shifted - 6755399441055744.0
    r = x - k * 1.57079632673412561417
    r = (r - k * 6.07710050630396597660e-11) - k * 2.02226624879595063154e-21
    u = r * r
    p = 1.0 / 355687428096000
    p = p * u - 1.0 / 1307674368000
    p = p * u + 1.0 / 6227020800
    p = p * u - 1.0 / 39916800
    p = p * u + 1.0 / 362880
    p = p * u - 1.0 / 5040
    p = p * u + 1.0 / 120
    p = p * u - 1.0 / 6
    sine = r + r * (u * p)
    p = 1.0 / 20922789888000
    p = p * u - 1.0 / 87178291200
    p = p * u + 1.0 / 479001600
    p = p * u - 1.0 / 3628800
    p = p * u + 1.0 / 40320
    p = p * u - 1.0 / 720
    p = p * u + 1.0 / 24
    p = p * u - 0.5
    cosine = 1.0 + u * p
    quadrant = _as_bits(shifted)
    odd = (quadrant & 1) != 0
    a = sine if odd else cosine
    b = cosine if odd else sine
    return (-a if ((quadrant + 1) & 2) != 0 else a), (-b if (quadrant & 2) != 0 else b)


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _phi(x, e):
    """(1 - exp(-x))/x and its slope, given e = exp(-x)."""
    near = abs(x) < 0.5
    y = -x if near else 0.0
    p, d = 1.0 / 1307674368000, 14.0 / 1307674368000
    p = p * y + 1.0 / 87178291200
    d = d * y + 13.0 / 87178291200
    p = p * y + 1.0 / 6227020800
    d = d * y + 12.0 / 6227020800
    p = p * y + 1.0 / 479001600
    d = d * y + 11.0 / 479001600
    p = p * y + 1.0 / 39916800
    d = d * y + 10.0 / 39916800
    p = p * y + 1.0 / 3628800
    d = d * y + 9.0 / 3628800
    p = p * y + 1.0 / 362880
    d = d * y + 8.0 / 362880
    p = p * y + 1.0 / 40320
    d = d * y + 7.0 / 40320
    p = p * y + 1.0 / 5040
    d = d * y + 6.0 / 5040
    p = p * y + 1.0 / 720
    d = d * y + 5.0 / 720
    p = p * y + 1.0 / 120
    d = d * y + 4.0 / 120
    p = p * y + 1.0 / 24
    d = d * y + 3.0 / 24
    p = p * y + 1.0 / 6
    d = d * y + 2.0 / 6
    p = p * y + 1.0 / 2
    d = d * y + 1.0 / 2
    p = p * y + 1.0 / 1
    far = 1.0 if near else x
    return (p if near else (1.0 - e) / far), (-d if near else ((1.0 + x) * e - 1.0) / (far * far))


@njit(cache=True, nogil=True)
def _load(modulus, viscosity, coefficient, scale, work):
    """Stiffness, damping and coefficients of the rows, padded to whole blocks; returns the blocks."""
    rows = scale.size
    for n in range(rows):
        work[_W + n], work[_B + n] = modulus * scale[n], 0.5 * viscosity * scale[n]
        work[_C + n], work[_CS + n] = coefficient[n], coefficient[n] * scale[n]
    blocks = (rows + 7) // 8
    for n in range(rows, 8 * blocks):
        work[_W + n], work[_B + n] = work[_W + rows - 1], work[_B + rows - 1]
        work[_C + n], work[_CS + n] = 0.0, 0.0
    return blocks


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _basis(t, blocks, work):
    """EC, ES and dES/d(s^2) of all rows at one time, and the two exponentials where s^2 > 0; see ``oscillator``."""
    for i in range(blocks):
        v = work[8 * i :]
        low, high = np.inf, -np.inf
        for j in range(8):
            z = (v[_B + j] * v[_B + j] - v[_W + j]) * t * t
            low, high = min(low, z), max(high, z)
        if high >= 0.02:
            for j in range(8):
                w, b = v[_W + j], v[_B + j]
                sigma = b * b - w
                s = math.sqrt(max(sigma, 1e-300))
                slow, fast = _exp(-w / (b + s) * t), _exp(-(b + s) * t)
                ec, es = 0.5 * (slow + fast), 0.5 * (slow - fast) / s
                v[_EC + j], v[_ES + j], v[_DS + j] = ec, es, (t * ec - es) / (2 * sigma)
                v[_SLOW + j], v[_FAST + j] = slow, fast
        if low <= -0.02:
            for j in range(8):
                w, b = v[_W + j], v[_B + j]
                sigma = b * b - w
                r = math.sqrt(max(-sigma, 1e-300))
                e = _exp(-b * t)
                cosine, sine = _cos_sin(r * t)
                ec, es = e * cosine, e * sine / r
                ds = (t * ec - es) / (2 * sigma)
                mine = sigma * t * t <= -0.02
                v[_EC + j] = ec if mine else v[_EC + j]
                v[_ES + j] = es if mine else v[_ES + j]
                v[_DS + j] = ds if mine else v[_DS + j]
        if low < 0.02 and high > -0.02:
            for j in range(8):
                w, b = v[_W + j], v[_B + j]
                z = (b * b - w) * t * t
                e = _exp(-b * t)
                ec = e * (1 + z * (1 / 2 + z * (1 / 24 + z * (1 / 720 + z * (1 / 40320 + z / 3628800)))))
                es = e * t * (1 + z * (1 / 6 + z * (1 / 120 + z * (1 / 5040 + z * (1 / 362880 + z / 39916800)))))
                ds = e * t * t * t * (1 / 6 + z * (1 / 60 + z * (1 / 1680 + z * (1 / 90720 + z / 7983360))))
                mine = abs(z) < 0.02
                v[_EC + j] = ec if mine else v[_EC + j]
                v[_ES + j] = es if mine else v[_ES + j]
                v[_DS + j] = ds if mine else v[_DS + j]


@njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")
def _step(t, blocks, work):
    """Response at t > 0 to a force that stays on and its derivative in W, after `_basis` at t; that in b is -2 ds."""
    for i in range(blocks):
        v = work[8 * i :]
        low, high = np.inf, -np.inf
        calm, wild = False, False
        for j in range(8):
            w, b = v[_W + j], v[_B + j]
            z = (b * b - w) * t * t
            low, high = min(low, z), max(high, z)
            if b * t < 0.2 and abs(w * t * t) < 0.05:
                calm = True
            else:
                wild = True
        if wild and low < 0.02:
            for j in range(8):
                w, b, es = v[_W + j], v[_B + j], v[_ES + j]
                q = (1 - v[_EC + j] - b * es) / w
                v[_Q + j], v[_QW + j] = q, (-q + 0.5 * t * es + b * v[_DS + j]) / w
        if wild and high >= 0.02:
            for j in range(8):
                w, b = v[_W + j], v[_B + j]
                sigma = b * b - w
                s = math.sqrt(max(sigma, 1e-300))
                slow, slope = _phi(w / (b + s) * t, v[_SLOW + j])
                fast, steep = _phi((b + s) * t, v[_FAST + j])
                q = t * (slow - fast) / (2 * s)
                q_w = q / (2 * sigma) + t * t * (slope + steep) / (4 * sigma)
                mine = sigma * t * t >= 0.02
                v[_Q + j] = q if mine else v[_Q + j]
                v[_QW + j] = q_w if mine else v[_QW + j]
        if calm:
            for j in range(8):
                bt, wt = v[_B + j] * t, v[_W + j] * t * t
                older, old, older_w, old_w = 0.0, 0.5, 0.0, 0.0
                total, total_w = 0.5, 0.0
                for k in range(1, 14):
                    scale = 1.0 / ((k + 2) * (k + 1))
                    new = -(2 * bt * (k + 1) * old + wt * older) * scale
                    new_w = -(2 * bt * (k + 1) * old_w + wt * older_w + older) * scale
                    older, old, older_w, old_w = old, new, old_w, new_w
                    total += new
                    total_w += new_w
                mine = bt < 0.2 and abs(wt) < 0.05
                v[_Q + j] = total * t * t if mine else v[_Q + j]
                v[_QW + j] = total_w * t * t * t * t if mine else v[_QW + j]


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _release(duration, blocks, work):
    """State (q, u) at the end of the push and its derivatives, after `_basis` and `_step` there."""
    for n in range(8 * blocks):
        b, q, q_w, es, ds = work[_B + n], work[_Q + n], work[_QW + n], work[_ES + n], work[_DS + n]
        q_b = -2.0 * ds
        work[_QB + n] = q_b
        work[_U + n] = es + b * q
        work[_UW + n] = -ds + b * q_w
        work[_UB + n] = -duration * es + 2 * b * ds + q + b * q_b


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _free(t, blocks, work):
    """Sums over rows of the free movement and its derivatives, after `_basis` at t from the end of the push."""
    a, a_w, a_b = 0.0, 0.0, 0.0
    for n in range(8 * blocks):
        b, ec, es, ds = work[_B + n], work[_EC + n], work[_ES + n], work[_DS + n]
        q, u = work[_Q + n], work[_U + n]
        ec_w, es_w = -0.5 * t * es, -ds
        ec_b, es_b = -t * ec + b * t * es, -t * es + 2 * b * ds
        a += work[_C + n] * (ec * q + es * u)
        a_w += work[_CS + n] * (ec * work[_QW + n] + es * work[_UW + n] + ec_w * q + es_w * u)
        a_b += work[_CS + n] * (ec * work[_QB + n] + es * work[_UB + n] + ec_b * q + es_b * u)
    return a, a_w, 0.5 * a_b


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _first(t, blocks, work):
    """State and derivatives at the first frame after the push into slots 3-5 and as velocity, after `_basis` there."""
    for n in range(8 * blocks):
        w, b, ec, es, ds = work[_W + n], work[_B + n], work[_EC + n], work[_ES + n], work[_DS + n]
        q, q_w, q_b = work[_Q + n], work[_QW + n], work[_QB + n]
        u, u_w, u_b = work[_U + n], work[_UW + n], work[_UB + n]
        ec_w, es_w = -0.5 * t * es, -ds
        ec_b, es_b = -t * ec + b * t * es, -t * es + 2 * b * ds
        sigma = b * b - w
        work[3 * S + n] = ec * q + es * u
        work[4 * S + n] = ec * q_w + es * u_w + ec_w * q + es_w * u
        work[5 * S + n] = ec * q_b + es * u_b + ec_b * q + es_b * u
        work[_U + n] = sigma * es * q + ec * u
        work[_UW + n] = sigma * (es * q_w + es_w * q) - es * q + ec * u_w + ec_w * u
        work[_UB + n] = sigma * (es * q_b + es_b * q) + 2 * b * es * q + ec * u_b + ec_b * u


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _second(t, blocks, work):
    """State at the second frame into slots 0-2 and what the march needs, after `_basis` at the spacing."""
    for n in range(8 * blocks):
        b, ec, es, ds = work[_B + n], work[_EC + n], work[_ES + n], work[_DS + n]
        x, x_w, x_b = work[3 * S + n], work[4 * S + n], work[5 * S + n]
        v, v_w, v_b = work[_U + n], work[_UW + n], work[_UB + n]
        ec_w = -0.5 * t * es
        ec_b, es_b = -t * ec + b * t * es, -t * es + 2 * b * ds
        after = ec * x + es * v
        work[n], work[_ONE + n], work[_TWO + n] = after, x, after
        work[S + n] = ec * x_w + es * v_w + ec_w * x - ds * v
        work[2 * S + n] = ec * x_b + es * v_b + ec_b * x + es_b * v
        beta = _exp(-2 * b * t)
        work[6 * S + n], work[7 * S + n] = 2 * ec, beta
        work[8 * S + n], work[9 * S + n], work[10 * S + n] = 2 * ec_w, 2 * ec_b, -2 * t * beta


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _march(work, rows, frames, out, first):
    """Add up and advance all rows over equally spaced frames, two at a time; slots 0-2 hold the later state."""
    for k in range(0, frames, 2):
        a, a_w, a_b, d, d_w, d_b = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for n in range(rows):
            p, p_w, p_b = work[3 * S + n], work[4 * S + n], work[5 * S + n]
            x, x_w, x_b = work[n], work[S + n], work[2 * S + n]
            alpha, beta = work[6 * S + n], work[7 * S + n]
            alpha_w, alpha_b, beta_b = work[8 * S + n], work[9 * S + n], work[10 * S + n]
            c, c_scale = work[_C + n], work[_CS + n]
            a += c * p
            a_w += c_scale * p_w
            a_b += c_scale * p_b
            d += c * x
            d_w += c_scale * x_w
            d_b += c_scale * x_b
            p_b = alpha * x_b + alpha_b * x - beta * p_b - beta_b * p
            p_w = alpha * x_w + alpha_w * x - beta * p_w
            p = alpha * x - beta * p
            work[3 * S + n], work[4 * S + n], work[5 * S + n] = p, p_w, p_b
            work[2 * S + n] = alpha * p_b + alpha_b * p - beta * x_b - beta_b * x
            work[S + n] = alpha * p_w + alpha_w * p - beta * x_w
            work[n] = alpha * p - beta * x
        out[0, first + k], out[1, first + k], out[2, first + k] = a, a_w, 0.5 * a_b
        if k + 1 < frames:
            out[0, first + k + 1], out[1, first + k + 1], out[2, first + k + 1] = d, d_w, 0.5 * d_b


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _pushed(rows, work):
    """Sums over rows of the movement during the push and its derivatives, after `_step`."""
    a, a_w, a_b = 0.0, 0.0, 0.0
    for n in range(rows):
        a += work[_C + n] * work[_Q + n]
        a_w += work[_CS + n] * work[_QW + n]
        a_b += work[_CS + n] * work[_DS + n]
    return a, a_w, -a_b


@njit(cache=True, nogil=True)
def _trace(modulus, viscosity, coefficient, scale, time, inside, after, spacing, duration, work, out):
    """Trace per unit force and its derivatives in G and eta into out[0..2]; `spacing` 0 means irregular frames."""
    frames = time.size
    out[:, :inside] = 0.0
    blocks = _load(modulus, viscosity, coefficient, scale, work)
    for k in range(inside, after):
        _basis(time[k], blocks, work)
        _step(time[k], blocks, work)
        out[0, k], out[1, k], out[2, k] = _pushed(8 * blocks, work)
    if after == frames:
        return
    _basis(duration, blocks, work)
    _step(duration, blocks, work)
    _release(duration, blocks, work)
    if spacing == 0.0:
        for k in range(after, frames):
            t = time[k] - duration
            _basis(t, blocks, work)
            out[0, k], out[1, k], out[2, k] = _free(t, blocks, work)
        return
    t = time[after] - duration
    _basis(t, blocks, work)
    _first(t, blocks, work)
    _basis(spacing, blocks, work)
    _second(spacing, blocks, work)
    _march(work, 8 * blocks, frames - after, out, after)


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
    row = np.empty(size, dtype=np.float32)
    norm, state = np.zeros(size, dtype=np.float32), np.empty(size, dtype=np.float32)
    frames = data.shape[1]
    middle, clean, own = np.empty(frames), np.empty(frames), np.empty(frames)
    gain, root, white, pull = np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames)
    known_gain, known_root = np.zeros(frames), np.zeros(frames)
    for p in range(data.shape[0]):
        if robust:
            _gross(data[p], variance[p], middle, clean, inflation[p])
        largest = 0.0
        for k in range(frames):
            own[k] = variance[p, k] * inflation[p, k]
            largest = max(largest, own[k])
        for k in range(frames):
            own[k] /= largest
        _gains(own, step_variance[p] / largest, shared_variance[p] / largest, gain, root)
        # Pushes with one and the same noise model share the lengths of the cells.
        same = True
        for k in range(frames):
            same = same and gain[k] == known_gain[k] and root[k] == known_root[k]
            known_gain[k], known_root[k] = gain[k], root[k]
        if not same:
            _norms(cells, gain, root, state, norm)
        _whiten(data[p], gain, root, white)
        _unwhiten(white, gain, root, pull)
        _rescale(pull)
        _score(pull, cells, norm, row)
        best = 0
        for j in range(size):
            if row[j] > row[best]:
                best = j
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
