"""The compiled response of any model, with analytic derivatives in its parameters.

Mode n of the well answers a push with ``1/D``, ``D(s) = s^2 + kappa_n G(s)``, ``kappa_n = lambda_n/rho``. Off the
negative real axis D has at most one pair of zeros, where the mode rings. That pair is taken out of 1/D and added in
closed form; the rest, summed over the modes, is smooth on the contour of :mod:`stanch.mechanics.rheology.contour`.
Where the spring is negative, as an estimate in a liquid may be, D has one zero on the positive axis, taken out too.

Parameters are those of the search: ln(G + 10 Pa), ln viscosity, ln of the spring-pot's modulus at the stated angular
frequency, ln order, ln branch, ln relaxation. Importing this module loads numba.
"""

# The compiler infers the types of these functions.
# mypy: disable-error-code="no-untyped-def, no-untyped-call, call-arg, var-annotated"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from stanch.mechanics.kernel.elementary import _cos_sin, _exp

__all__ = ["KINDS", "MOST_PARAMETERS", "pole", "relaxance", "respond", "respond_all", "respond_values", "workspace"]

KELVIN_VOIGT, SPRING_POT, FRACTIONAL, ZENER = 0, 1, 2, 3
KINDS = {"kelvin_voigt": 0, "spring_pot": 1, "fractional_kelvin_voigt": 2, "zener": 3}
MOST_PARAMETERS = 3
OFFSET = 10.0
_LOOSE = {"reassoc", "contract", "nsz", "arcp"}

RINGS = math.tan(0.03 * math.pi)
"""Imaginary over negative real part above which a pole is taken out; below, it lies far enough behind the contour."""

GONE = -40.0
"""Exponent below which a mode has rung down."""

# Slots of the row work space.
_A, _B, _P, _Q, _RATIONAL = 0, 1, 2, 3, 4
"""Numerator a s + b and denominator s^2 + p s + q of the pair; then, for each parameter, derivatives of the four."""
_ROOTS = 16
"""Real and imaginary part of the pole, of the amplitude of the value, then of both amplitudes of each derivative."""
ROW_SLOTS = _ROOTS + 4 + 4 * MOST_PARAMETERS


@njit(cache=True, nogil=True)
def relaxance(kind, x, omega, s, g):
    """G at s into g[0], its first and second derivative in s into g[1:3], those in x into g[3:6], mixed into g[6:9].

    Parameters
    ----------
    kind : int
        Of :data:`KINDS`.
    x : ndarray, shape (parameter,)
        Parameters of the search [-].
    omega : float
        At which a spring-pot's modulus is stated [rad/s].
    s : complex
        [1/s].
    g : ndarray of complex, shape (9,)
        Filled in.
    """
    g[:] = 0.0
    if kind == KELVIN_VOIGT:
        eta = math.exp(x[1])
        g[0], g[1] = math.exp(x[0]) - OFFSET + eta * s, eta
        g[3], g[4], g[7] = math.exp(x[0]), eta * s, eta
    elif kind == ZENER:
        tau, branch = math.exp(x[2]), math.exp(x[1])
        inverse = 1.0 / (1.0 + s * tau)
        relaxing = branch * s * tau * inverse
        slope = branch * tau * inverse * inverse
        g[0], g[1], g[2] = math.exp(x[0]) - OFFSET + relaxing, slope, -2.0 * tau * slope * inverse
        g[3], g[4], g[5] = math.exp(x[0]), relaxing, s * slope
        g[7], g[8] = slope, slope * (1.0 - s * tau) * inverse
    else:
        at = 0 if kind == SPRING_POT else 1
        order = math.exp(x[at + 1])
        log = np.log(s / omega)
        pot = np.exp(x[at] + order * log)
        g[0], g[1], g[2] = pot, order * pot / s, order * (order - 1.0) * pot / (s * s)
        g[3 + at], g[4 + at] = pot, order * log * pot
        g[6 + at], g[7 + at] = order * pot / s, order * (1.0 + order * log) * pot / s
        if kind == FRACTIONAL:
            g[0] += math.exp(x[0]) - OFFSET
            g[3] = math.exp(x[0])


@njit(cache=True, nogil=True)
def _fractional_pole(w, v, order):
    """Zero of s^2 + w + v s^order in the upper half plane, in ln s, where Newton's steps are nearly straight."""
    lone = math.log(v) / (2.0 - order)
    z = complex(lone, math.pi / (2.0 - order))
    if w > 0.0 and 0.5 * math.log(w) > lone:
        # The spring leads: begin at its frequency, damped to first order by the spring-pot.
        z = complex(0.5 * math.log(w), 0.5 * math.pi)
    beyond = 0
    for _ in range(60):
        power = v * np.exp(order * z)
        total = w + power
        if total == 0.0:
            return 0j
        f = 2.0 * z - np.log(-total)
        # Which branch of the logarithm stands for s in the upper half plane.
        turns = round(f.imag / (2.0 * math.pi))
        f -= complex(0.0, 2.0 * math.pi * turns)
        step = f / (2.0 - order * power / total)
        size = abs(step)
        if size > 0.5:
            step *= 0.5 / size
        z -= step
        if z.imag >= math.pi:
            # Behind the negative axis, three times running: the mode creeps.
            beyond += 1
            if beyond == 3:
                return 0j
        else:
            beyond = 0
        z = complex(z.real, min(max(z.imag, 0.3), math.pi))
        if size < 1e-13:
            break
    s = np.exp(z)
    power = v * np.exp(order * z)
    if abs(s * s + w + power) > 1e-9 * (abs(s * s) + abs(w) + abs(power)):
        return 0j
    return s


@njit(cache=True, nogil=True)
def _zener_pole(w, extra, tau):
    """Zero of (s^2 + w)(1 + s tau) + extra s tau in the upper half plane, by way of the real zero."""
    rate = 1.0 / tau
    low, high = -rate, 0.0
    if w < 0.0:
        low, high = 0.0, math.sqrt(-w)
    r = 0.5 * (low + high)
    for _ in range(200):
        value = (r * r + w) * (r + rate) + extra * r
        slope = 3.0 * r * r + 2.0 * r * rate + w + extra
        if value > 0.0:
            high = r
        else:
            low = r
        new = r - value / slope if slope != 0.0 else low
        if not low < new < high:
            new = 0.5 * (low + high)
        done = abs(new - r) <= 1e-16 * abs(new)
        r = new
        if done:
            break
    # The other two: sum -(rate + r), product (w + extra) + r (r + rate).
    half = 0.5 * (rate + r)
    product = w + extra + r * (r + rate)
    inside = product - half * half
    return complex(-half, math.sqrt(inside)) if inside > 0.0 else 0j


@njit(cache=True, nogil=True)
def pole(kind, x, omega, kappa):
    """Zero of ``s^2 + kappa G(s)`` in the upper half plane; 0 where the mode does not ring.

    Parameters
    ----------
    kind, x, omega
        As in :func:`relaxance`.
    kappa : float
        Eigenvalue over density [m/kg].

    Returns
    -------
    complex
        [1/s].
    """
    if kind == KELVIN_VOIGT:
        w, b = kappa * (math.exp(x[0]) - OFFSET), 0.5 * kappa * math.exp(x[1])
        return complex(-b, math.sqrt(w - b * b)) if w > b * b else 0j
    if kind == SPRING_POT:
        order = math.exp(x[1])
        if order >= 1.0:
            return 0j
        size = math.exp((math.log(kappa) + x[0] - order * math.log(omega)) / (2.0 - order))
        angle = math.pi / (2.0 - order)
        return complex(size * math.cos(angle), size * math.sin(angle))
    w = kappa * (math.exp(x[0]) - OFFSET)
    if kind == ZENER:
        return _zener_pole(w, kappa * math.exp(x[1]), math.exp(x[2]))
    order = math.exp(x[2])
    return _fractional_pole(w, kappa * math.exp(x[1] - order * math.log(omega)), order)


@njit(cache=True, nogil=True)
def _growing(kind, x, omega, kappa, g):
    """Zero of D on the positive axis where the spring is negative, by Newton's steps in ln s between brackets."""
    lack = kappa * (OFFSET - math.exp(x[0]))
    low, high = 0.5 * math.log(lack) - 60.0, 0.5 * math.log(lack)
    z = high
    for _ in range(100):
        s = math.exp(z)
        relaxance(kind, x, omega, complex(s, 0.0), g)
        rest = s * s + kappa * g[0].real + lack
        value, slope = -1.0, 0.0
        if rest > 1e-3 * lack:
            value = math.log(rest / lack)
            slope = (2.0 * s + kappa * g[1].real) * s / rest
        if value > 0.0:
            high = z
        else:
            low = z
        new = z - value / slope if slope > 0.0 else low
        if not low < new < high:
            new = 0.5 * (low + high)
        done = abs(new - z) < 1e-13
        z = new
        if done:
            break
    return math.exp(z)


@njit(cache=True, nogil=True)
def _simple(kind, x, omega, kappa, p, g, size, move, turn):
    """Residue of 1/D at a zero p; the zero's and the residue's derivatives into move and turn."""
    relaxance(kind, x, omega, p, g)
    residue = 1.0 / (2.0 * p + kappa * g[1])
    bend = 2.0 + kappa * g[2]
    for j in range(size):
        move[j] = -kappa * g[3 + j] * residue
        turn[j] = -residue * residue * (kappa * g[6 + j] + bend * move[j])
    return residue


@njit(cache=True, nogil=True)
def _push(p, duration):
    """(exp(p T) - 1)/p and its derivative in p."""
    x = p * duration
    if abs(x) < 0.05:
        total, slope = 0j, 0j
        term, bent = complex(1.0, 0.0), complex(0.5, 0.0)
        for k in range(1, 13):
            total += term
            slope += bent
            term *= x / (k + 1)
            bent *= x * (k + 1) / (k * (k + 2))
        return duration * total, duration * duration * slope
    e = np.exp(x)
    value = (e - 1.0) / p
    return value, (duration * e - value) / p


@njit(cache=True, nogil=True)
def _rows(kind, x, size, omega, coefficient, scale, duration, row, g, move, turn):
    """What is taken out of every mode: rational terms for the contour, amplitudes for the frames.

    Returns how many leading modes have a pair taken out at all.
    """
    rings = 0
    row[:, : scale.size] = 0.0
    for n in range(scale.size):
        kappa, c = scale[n], coefficient[n]
        row[_Q, n] = 1.0
        p = pole(kind, x, omega, kappa)
        if not p.imag > -RINGS * p.real or p == 0.0:
            continue
        rings = n + 1
        residue = c * _simple(kind, x, omega, kappa, p, g, size, move, turn)
        # 2 Re[residue/(s - p)] over the reals is (a s + b)/(s^2 + P s + Q).
        row[_A, n], row[_B, n] = 2.0 * residue.real, -2.0 * (residue * p.conjugate()).real
        row[_P, n], row[_Q, n] = -2.0 * p.real, p.real * p.real + p.imag * p.imag
        push, bent = _push(p, duration)
        amplitude = 2.0 * residue * push
        row[_ROOTS, n], row[_ROOTS + 1, n] = p.real, p.imag
        row[_ROOTS + 2, n], row[_ROOTS + 3, n] = amplitude.real, amplitude.imag
        for j in range(size):
            d, m = c * turn[j], move[j]
            at = _RATIONAL + 4 * j
            by_a = 2.0 * d.real
            by_b = -2.0 * (d * p.conjugate() + residue * m.conjugate()).real
            by_p, by_q = -2.0 * m.real, 2.0 * (p * m.conjugate()).real
            # Of (a s + b)/Q: (a' s + b')/Q - (a s + b)(P' s + Q')/Q^2, the last numerator by powers of s.
            row[at, n], row[at + 1, n] = by_a, by_b
            row[at + 2, n], row[at + 3, n] = by_p, by_q
            near, far = 2.0 * (d * push + residue * m * bent), 2.0 * residue * m * push
            to = _ROOTS + 4 + 4 * j
            row[to, n], row[to + 1, n], row[to + 2, n], row[to + 3, n] = near.real, near.imag, far.real, far.imag
    return rings


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _node(sr, si, gr, gi, size, coefficient, scale, row, out):
    """Sums over modes of 1/D and kappa/D^2 less what is taken out, at one node.

    Into out: the value, kappa/D^2 without anything taken out, and what the derivatives lose.
    """
    s2r, s2i = sr * sr - si * si, 2.0 * sr * si
    v, vi, q, qi = 0.0, 0.0, 0.0, 0.0
    a0, b0, a1, b1, a2, b2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for n in range(scale.size):
        kappa, c = scale[n], coefficient[n]
        dr, di = s2r + kappa * gr, s2i + kappa * gi
        m = 1.0 / (dr * dr + di * di)
        ir, ii = dr * m, -di * m
        er, ei = s2r + row[2, n] * sr + row[3, n], s2i + row[2, n] * si
        m = 1.0 / (er * er + ei * ei)
        ur, ui = er * m, -ei * m
        # The rational term, and it once more over its denominator.
        nr, ni = row[0, n] * sr + row[1, n], row[0, n] * si
        tr, ti = nr * ur - ni * ui, nr * ui + ni * ur
        v += c * ir - tr
        vi += c * ii - ti
        ck = c * kappa
        q += ck * (ir * ir - ii * ii)
        qi += ck * (2.0 * ir * ii)
        for j in range(size):
            at = 4 + 4 * j
            hr = row[at, n] * sr + row[at + 1, n]
            hi = row[at, n] * si
            kr, ki = row[at + 2, n] * sr + row[at + 3, n], row[at + 2, n] * si
            hr -= tr * kr - ti * ki
            hi -= tr * ki + ti * kr
            xr, xi = hr * ur - hi * ui, hr * ui + hi * ur
            if j == 0:
                a0 += xr
                b0 += xi
            elif j == 1:
                a1 += xr
                b1 += xi
            else:
                a2 += xr
                b2 += xi
    out[0], out[1], out[2], out[3] = v, vi, q, qi
    out[4], out[5], out[6], out[7], out[8], out[9] = a0, b0, a1, b1, a2, b2


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _ringing(time, inside, after, duration, rings, size, row, wave, out):
    """Add the pairs to the frames after the push."""
    for k in range(after, time.size):
        tau = time[k] - duration
        last = rings
        for n in range(rings):
            decay = _exp(row[_ROOTS, n] * tau)
            cosine, sine = _cos_sin(row[_ROOTS + 1, n] * tau)
            wave[0, n], wave[1, n] = decay * cosine, decay * sine
        total = 0.0
        for n in range(last):
            total += row[_ROOTS + 2, n] * wave[0, n] - row[_ROOTS + 3, n] * wave[1, n]
        out[0, k] += total
        for j in range(size):
            at = _ROOTS + 4 + 4 * j
            total = 0.0
            for n in range(last):
                re, im = row[at, n] + tau * row[at + 2, n], row[at + 1, n] + tau * row[at + 3, n]
                total += re * wave[0, n] - im * wave[1, n]
            out[1 + j, k] += total


@njit(cache=True, nogil=True)
def _single(p, residue, move, turn, size, time, inside, duration, out):
    """Add what one zero gives during the push, or at all frames for a zero on the positive axis."""
    for k in range(inside, time.size):
        t = time[k]
        if t <= duration:
            e, slope = _push(p, t)
        else:
            push, bent = _push(p, duration)
            tau = t - duration
            wave = np.exp(p * tau)
            e, slope = wave * push, wave * (bent + tau * push)
        out[0, k] += (residue * e).real
        for j in range(size):
            out[1 + j, k] += (turn[j] * e + residue * move[j] * slope).real


@njit(cache=True, nogil=True)
def workspace(rows, nodes):
    """Arrays that :func:`respond` writes over."""
    return (
        np.zeros((ROW_SLOTS, rows)),
        np.zeros((2, rows)),
        np.zeros((1 + MOST_PARAMETERS, 2 * nodes)),
        np.zeros(9, dtype=np.complex128),
        np.zeros((2, MOST_PARAMETERS), dtype=np.complex128),
        np.zeros(10),
    )


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _to_frames(matrix, inside, count, values, out):
    """Matrix times the values on the contour."""
    for k in range(inside, matrix.shape[0]):
        m = matrix[k]
        for j in range(count):
            v = values[j]
            total = 0.0
            for i in range(m.size):
                total += m[i] * v[i]
            out[j, k] = total


@njit(cache=True, nogil=True)
def respond(kind, x, size, omega, coefficient, scale, time, inside, after, duration, node, matrix, work, out):
    """Trace per unit force and its derivatives in the parameters of the search, into out[: 1 + size].

    Parameters
    ----------
    kind : int
        Of :data:`KINDS`.
    x : ndarray, shape (parameter,)
        Parameters of the search [-].
    size : int
        Derivatives wanted: all parameters, or 0 [-].
    omega : float
        At which a spring-pot's modulus is stated [rad/s].
    coefficient : ndarray, shape (row,)
        Over density [m^3/kg].
    scale : ndarray, shape (row,)
        Eigenvalue over density [m/kg].
    time : ndarray, shape (frame,)
        Rising [s].
    inside, after : int
        First frame after the start, and after the end, of the push [-].
    duration : float
        Of the push [s].
    node, matrix
        Of :class:`~stanch.mechanics.rheology.contour.Contour`.
    work
        Of :func:`workspace`.
    out : ndarray, shape (1 + parameter, frame)
        Filled in, per unit force [m].
    """
    row, wave, values, g, change, sums = work
    rings = _rows(kind, x, size, omega, coefficient, scale, duration, row, g, change[0], change[1])
    growing = kind != SPRING_POT and OFFSET - math.exp(x[0]) > 1e-12
    nodes = node.size
    grown = np.zeros((scale.size, 2 + 2 * MOST_PARAMETERS)) if growing else np.zeros((0, 2 + 2 * MOST_PARAMETERS))
    # A second pole behind the contour makes what is taken out fall as 1/s^2, so that the contour may end.
    behind = 1.0 / duration
    if growing:
        for n in range(scale.size):
            p = complex(_growing(kind, x, omega, scale[n], g), 0.0)
            residue = _simple(kind, x, omega, scale[n], p, g, size, change[0], change[1])
            grown[n, 0], grown[n, 1] = p.real, coefficient[n] * residue.real
            for j in range(size):
                grown[n, 2 + 2 * j] = change[0, j].real
                grown[n, 3 + 2 * j] = coefficient[n] * change[1, j].real
    leading = np.zeros(1 + MOST_PARAMETERS)
    for n in range(rings):
        leading[0] += row[_A, n]
        for j in range(size):
            leading[1 + j] += row[_RATIONAL + 4 * j, n]
    for n in range(grown.shape[0]):
        leading[0] += grown[n, 1]
        for j in range(size):
            leading[1 + j] += grown[n, 3 + 2 * j]
    for k in range(nodes):
        s = node[k]
        relaxance(kind, x, omega, s, g)
        distant = 1.0 / (s + behind)
        _node(s.real, s.imag, g[0].real, g[0].imag, size, coefficient, scale, row, sums)
        total, q = complex(sums[0], sums[1]) + leading[0] * distant, complex(sums[2], sums[3])
        for n in range(grown.shape[0]):
            total -= grown[n, 1] / (s - grown[n, 0])
        values[0, k], values[0, nodes + k] = total.real, total.imag
        for j in range(size):
            d = leading[1 + j] * distant - g[3 + j] * q - complex(sums[4 + 2 * j], sums[5 + 2 * j])
            for n in range(grown.shape[0]):
                u = 1.0 / (s - grown[n, 0])
                d -= u * (grown[n, 3 + 2 * j] + grown[n, 1] * grown[n, 2 + 2 * j] * u)
            values[1 + j, k], values[1 + j, nodes + k] = d.real, d.imag
    out[: 1 + size, :inside] = 0.0
    _to_frames(matrix, inside, 1 + size, values, out)
    _ringing(time, inside, after, duration, rings, size, row, wave, out)
    if after > inside:
        for n in range(rings):
            p = complex(row[_ROOTS, n], row[_ROOTS + 1, n])
            if p.imag > 0.0:
                residue = 2.0 * coefficient[n] * _simple(kind, x, omega, scale[n], p, g, size, change[0], change[1])
                for j in range(size):
                    change[1, j] *= 2.0 * coefficient[n]
                _single(p, residue, change[0], change[1], size, time[:after], inside, duration, out)
    for n in range(grown.shape[0]):
        for j in range(size):
            change[0, j], change[1, j] = grown[n, 2 + 2 * j], grown[n, 3 + 2 * j]
        p = complex(grown[n, 0], 0.0)
        _single(p, complex(grown[n, 1], 0.0), change[0], change[1], size, time, inside, duration, out)
    change[0] = 0.0
    for j in range(size):
        change[1, j] = -leading[1 + j]
    _single(
        complex(-behind, 0.0), complex(-leading[0], 0.0), change[0], change[1], size, time, inside, duration, out
    )  # fmt: skip


@njit(cache=True, nogil=True)
def respond_all(kind, x, omega, coefficient, scale, time, inside, after, duration, node, matrix, out):
    """:func:`respond` for several pushes, into out of shape (push, 1 + parameter, frame)."""
    work = workspace(scale.size, node.size)
    for p in range(x.shape[0]):
        respond(
            kind, x[p], x.shape[1], omega, coefficient[p], scale, time, inside, after, duration, node, matrix, work,
            out[p],
        )  # fmt: skip


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _node_values(sr, si, gr, gi, distant, coefficient, scale, row, out):
    """Sums over modes, with several sets of coefficients, of 1/D less what is taken out of it, at one node."""
    s2r, s2i = sr * sr - si * si, 2.0 * sr * si
    rows = scale.size
    for n in range(rows):
        dr, di = s2r + scale[n] * gr, s2i + scale[n] * gi
        m = 1.0 / (dr * dr + di * di)
        er, ei = s2r + row[2, n] * sr + row[3, n], s2i + row[2, n] * si
        w = 1.0 / (er * er + ei * ei)
        nr, ni = row[0, n] * sr + row[1, n], row[0, n] * si
        # Slots of derivatives are free here.
        row[4, n] = dr * m - (nr * er + ni * ei) * w + row[0, n] * distant.real
        row[5, n] = -di * m - (ni * er - nr * ei) * w + row[0, n] * distant.imag
    for j in range(coefficient.shape[0]):
        c = coefficient[j]
        a, b = 0.0, 0.0
        for n in range(rows):
            a += c[n] * row[4, n]
            b += c[n] * row[5, n]
        out[j, 0], out[j, 1] = a, b


@njit(cache=True, nogil=True)
def respond_values(kind, x, omega, coefficient, scale, time, inside, after, duration, node, matrix, work, out):
    """Traces per unit force, without derivatives, for several sets of coefficients, into out of shape (set, frame).

    Parameters as in :func:`respond`; `coefficient` of shape (set, row), over density [m^3/kg], `out` [m].
    """
    row, wave, _, g, change, _ = work
    sets, rows, nodes = coefficient.shape[0], scale.size, node.size
    if kind != SPRING_POT and OFFSET - math.exp(x[0]) > 1e-12:
        # A spring below zero is rare enough to be taken one set at a time.
        for j in range(sets):
            respond(
                kind, x, 0, omega, coefficient[j], scale, time, inside, after, duration, node, matrix, work,
                out[j : j + 1],
            )  # fmt: skip
        return
    rings = _rows(kind, x, 0, omega, np.ones(rows), scale, duration, row, g, change[0], change[1])
    values, sums = np.empty((sets, 2 * nodes)), np.empty((sets, 2))
    behind = 1.0 / duration
    for k in range(nodes):
        s = node[k]
        relaxance(kind, x, omega, s, g)
        _node_values(s.real, s.imag, g[0].real, g[0].imag, 1.0 / (s + behind), coefficient, scale, row, sums)
        for j in range(sets):
            values[j, k], values[j, nodes + k] = sums[j, 0], sums[j, 1]
    out[:, :inside] = 0.0
    _to_frames(matrix, inside, sets, values, out)
    single = np.zeros((1, time.size))
    _single(complex(-behind, 0.0), complex(1.0, 0.0), change[0], change[1], 0, time, inside, duration, single)
    for j in range(sets):
        total = 0.0
        for n in range(rings):
            total += coefficient[j, n] * row[_A, n]
        for k in range(inside, time.size):
            out[j, k] -= total * single[0, k]
    for k in range(inside, time.size):
        t = time[k]
        for n in range(rings):
            p = complex(row[_ROOTS, n], row[_ROOTS + 1, n])
            wave[0, n] = 0.0
            if p.imag <= 0.0:
                continue
            if t <= duration:
                e, _ = _push(p, t)
                residue = complex(0.5 * row[_A, n], -0.5 * (row[_B, n] + row[_A, n] * p.real) / p.imag)
                wave[0, n] = 2.0 * (residue * e).real
            else:
                tau = t - duration
                decay = _exp(p.real * tau)
                cosine, sine = _cos_sin(p.imag * tau)
                wave[0, n] = decay * (row[_ROOTS + 2, n] * cosine - row[_ROOTS + 3, n] * sine)
        for j in range(sets):
            total = 0.0
            for n in range(rings):
                total += coefficient[j, n] * wave[0, n]
            out[j, k] += total
