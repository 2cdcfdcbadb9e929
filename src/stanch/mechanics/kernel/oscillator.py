"""One trace per unit force with its derivatives: rows as damped oscillators, advanced by recurrence.

After the push each row moves freely, so at equally spaced frames ``q_(k+1) = alpha q_k - beta q_(k-1)`` with
``alpha = 2 EC(dt)`` and ``beta = exp(-2 b dt)``; the derivatives follow by differentiating that. Rows are innermost, so
that the compiler turns them into vector instructions. Frames before, inside or irregularly spaced after the push are
taken in closed form.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from stanch.mechanics.kernel.elementary import _LOOSE, _cos_sin, _exp, _phi

__all__ = ["MOST_ROWS", "WORK"]

MOST_ROWS = 520
"""Longest table the work space holds; not a power of two in bytes, so that the arrays do not share cache lines."""

S = MOST_ROWS
# Slots of the work space: 0-2 and 3-5 hold the state and its derivatives at two frames, 6-10 what the march needs.
_C, _CS, _W, _B, _EC, _ES, _DS, _SLOW, _FAST, _Q, _QW, _QB, _U, _UW, _UB, _ONE, _TWO = (k * S for k in range(11, 28))
WORK = 28 * S


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
