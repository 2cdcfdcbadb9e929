"""The trace a tracking beam sees after a push: sums of damped oscillators over the rows of a spectral table.

In a homogeneous incompressible Kelvin-Voigt medium every eigenmode of the well's Stokes operator obeys
``q'' + 2 b q' + W q = p(t)`` with ``W = G lambda/rho`` and ``b = eta lambda/(2 rho)``, and the beam sees

    d(t) = (F/rho) sum_n c_n q_n(t),   p = 1 during the push, 0 outside.

This is the plain NumPy reference; :mod:`stanch.mechanics.kernel` holds the compiled form.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET, SpectralTable
from stanch.recording.records import Acquisition

__all__ = ["complex_modulus", "coupling", "loss_tangent", "oscillator", "trace", "trace_derivatives"]

Floats = NDArray[np.float64]

SERIES_BELOW = 0.02
"""|s^2 t^2| below which sinh(st)/s and its derivative come from their series."""


def coupling(
    table: SpectralTable,
    depth: ArrayLike | None = None,
    sensitivity: ArrayLike | None = None,
    order: int = 0,
) -> Floats:
    """Coefficient of every table row in what the beam sees over a tracking gate.

    Parameters
    ----------
    table : SpectralTable
        Of the well.
    depth : array_like, shape (depth,), optional
        Beam positions of `sensitivity` [m]; the push focus alone if not given.
    sensitivity : array_like, shape (depth,) or (push, depth), optional
        Echo-energy weights of the gate, summing to 1 along depth [-]; equal weights if not given.
    order : int
        Laguerre order of the weighting across the beam [-].

    Returns
    -------
    ndarray, shape (row,) or (push, row)
        ``force[n] * sum_z sensitivity(z) beam[order, n, z]`` [-].

    Raises
    ------
    InputError
        If the shapes differ or the gate reaches beyond the table's depths.

    Notes
    -----
    The table is interpolated linearly in depth. Gate positions outside the table whose weight is 0 are left out.
    """
    z = np.zeros(1) if depth is None else np.atleast_1d(np.asarray(depth, dtype=float))
    weight = np.full(z.shape, 1.0 / z.size) if sensitivity is None else np.asarray(sensitivity, dtype=float)
    if weight.shape[-1:] != z.shape:
        raise InputError("sensitivity", got=weight.shape, allowed=f"last axis of {z.size} depths")
    at = interpolation(table.depth, z)
    used = np.abs(weight).reshape(-1, z.size).sum(axis=0) > 0
    outside = (z < table.depth[0] - 1e-9) | (z > table.depth[-1] + 1e-9)
    if np.any(used & outside):
        raise InputError(
            "depth of the tracking gate",
            got=f"{z[used].min() * 1e3:.3f} to {z[used].max() * 1e3:.3f} mm",
            allowed=f"{table.depth[0] * 1e3:.3f} to {table.depth[-1] * 1e3:.3f} mm, the depths of the spectral table",
            do="Build the table over the whole gate.",
        )
    beam: Floats = table.beam[order] @ at.T
    return np.asarray(weight @ beam.T * table.force, dtype=float)


def interpolation(grid: Floats, points: Floats) -> Floats:
    """Matrix (point, grid) of linear interpolation, constant beyond the ends."""
    if grid.size == 1:
        return np.ones((points.size, 1))
    cell = np.clip(np.searchsorted(grid, points, side="right") - 1, 0, grid.size - 2)
    fraction = np.clip((points - grid[cell]) / (grid[cell + 1] - grid[cell]), 0.0, 1.0)
    matrix = np.zeros((points.size, grid.size))
    rows = np.arange(points.size)
    matrix[rows, cell] = 1.0 - fraction
    matrix[rows, cell + 1] += fraction
    return matrix


def oscillator(time: ArrayLike, stiffness: ArrayLike, damping: ArrayLike, duration: float) -> tuple[Floats, ...]:
    """Response of a damped unit oscillator to a unit push, with its derivatives.

    Solves ``q'' + 2 b q' + W q = 1`` for ``0 < t <= duration``, ``= 0`` elsewhere, from rest.

    Parameters
    ----------
    time : array_like, shape (frame,)
        From the start of the push, any order and spacing [s].
    stiffness : array_like, shape (row,)
        W; slightly negative is allowed [1/s^2].
    damping : array_like, shape (row,)
        b, not negative [1/s].
    duration : float
        Of the push [s].

    Returns
    -------
    tuple of ndarray, shape (frame, row)
        q [s^2], dq/dW [s^4] and dq/db [s^3].

    Notes
    -----
    With ``EC = exp(-bt) cosh(st)``, ``ES = exp(-bt) sinh(st)/s``, ``s^2 = b^2 - W`` of either sign, the step response
    is ``S = (1 - EC - b ES)/W``, its derivative in b is ``-2 dES/d(s^2)``. Where s^2 > 0 the slow root is taken as
    ``W/(b + s)``, so that W -> 0 and W < 0 lose no digits; where s t is small, series. After the push the state
    ``(q, u = q' + b q)`` moves freely: ``q(t) = EC q + ES u``.
    """
    t = np.asarray(time, dtype=float)[:, None]
    w, b = np.broadcast_arrays(np.asarray(stiffness, dtype=float), np.asarray(damping, dtype=float))
    w, b = np.atleast_1d(w)[None, :], np.atleast_1d(b)[None, :]
    shape = (t.shape[0], w.shape[1])
    out = [np.zeros(shape) for _ in range(3)]
    inside = ((t > 0) & (t <= duration))[:, 0]
    after = (t > duration)[:, 0]
    if inside.any():
        for total, part in zip(out, _step(t[inside], w, b)):
            total[inside] = part
    if after.any():
        q, q_w, q_b = _step(np.full((1, 1), duration), w, b)
        _, es, ds = _basis(np.full((1, 1), duration), w, b)
        u = es + b * q
        u_w = -ds + b * q_w
        u_b = -duration * es + 2 * b * ds + q + b * q_b
        tau = t[after] - duration
        ec, es, ds = _basis(tau, w, b)
        ec_w, es_w = -0.5 * tau * es, -ds
        ec_b, es_b = -tau * ec + b * tau * es, -tau * es + 2 * b * ds
        out[0][after] = ec * q + es * u
        out[1][after] = ec * q_w + es * u_w + ec_w * q + es_w * u
        out[2][after] = ec * q_b + es * u_b + ec_b * q + es_b * u
    return tuple(out)


def _basis(t: Floats, w: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """EC, ES and dES/d(s^2) at t > 0."""
    t, w, b = np.broadcast_arrays(t, w, b)
    sigma = b * b - w
    x = sigma * t * t
    ec, es, ds = (np.empty(x.shape) for _ in range(3))
    near, over, under = np.abs(x) < SERIES_BELOW, x >= SERIES_BELOW, x <= -SERIES_BELOW
    z, tn = x[near], t[near]
    e = np.exp(-b[near] * tn)
    ec[near] = e * (1 + z * (1 / 2 + z * (1 / 24 + z * (1 / 720 + z * (1 / 40320 + z / 3628800)))))
    es[near] = e * tn * (1 + z * (1 / 6 + z * (1 / 120 + z * (1 / 5040 + z * (1 / 362880 + z / 39916800)))))
    ds[near] = e * tn**3 * (1 / 6 + z * (1 / 60 + z * (1 / 1680 + z * (1 / 90720 + z / 7983360))))
    s, to = np.sqrt(sigma[over]), t[over]
    slow, fast = np.exp(-w[over] / (b[over] + s) * to), np.exp(-(b[over] + s) * to)
    ec[over], es[over] = 0.5 * (slow + fast), 0.5 * (slow - fast) / s
    r, tu = np.sqrt(-sigma[under]), t[under]
    e = np.exp(-b[under] * tu)
    ec[under], es[under] = e * np.cos(r * tu), e * np.sin(r * tu) / r
    far = ~near
    ds[far] = (t[far] * ec[far] - es[far]) / (2 * sigma[far])
    return ec, es, ds


def _step(t: Floats, w: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Response at t > 0 to a force that stays on, with its derivatives in W and b."""
    t, w, b = np.broadcast_arrays(t, w, b)
    ec, es, ds = _basis(t, w, b)
    q, q_w = np.empty(t.shape), np.empty(t.shape)
    small = (b * t < 0.2) & (np.abs(w) * t * t < 0.05)
    over = ~small & ((b * b - w) * t * t >= SERIES_BELOW)
    rest = ~small & ~over
    q[small], q_w[small] = _step_taylor(t[small], w[small], b[small])
    tt, ww, bb = t[over], w[over], b[over]
    s = np.sqrt(bb * bb - ww)
    slow, fast = ww / (bb + s) * tt, (bb + s) * tt
    q[over] = tt * (_phi(slow) - _phi(fast)) / (2 * s)
    q_w[over] = q[over] / (2 * s * s) + tt * tt * (_phi_slope(slow) + _phi_slope(fast)) / (4 * s * s)
    q[rest] = (1 - ec[rest] - b[rest] * es[rest]) / w[rest]
    q_w[rest] = (-q[rest] + 0.5 * t[rest] * es[rest] + b[rest] * ds[rest]) / w[rest]
    return q, q_w, -2.0 * ds


def _step_taylor(t: Floats, w: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Power series in t of the step response and its derivative in W, for small b t and W t^2."""
    damping, stiffness = b * t, w * t * t
    older, old = np.zeros(t.shape), np.full(t.shape, 0.5)
    older_w, old_w = np.zeros(t.shape), np.zeros(t.shape)
    total, total_w = old.copy(), old_w.copy()
    for k in range(1, 16):
        scale = 1.0 / ((k + 2) * (k + 1))
        new = -(2 * damping * (k + 1) * old + stiffness * older) * scale
        new_w = -(2 * damping * (k + 1) * old_w + stiffness * older_w + older) * scale
        older, old, older_w, old_w = old, new, old_w, new_w
        total = total + new
        total_w = total_w + new_w
    return total * t**2, total_w * t**4


def _phi(x: Floats) -> Floats:
    """(1 - exp(-x))/x."""
    safe = np.where(np.abs(x) < 1e-12, 1.0, x)
    return np.where(np.abs(x) < 1e-12, 1.0 - 0.5 * x, -np.expm1(-safe) / safe)


def _phi_slope(x: Floats) -> Floats:
    """Derivative of (1 - exp(-x))/x."""
    near = np.abs(x) < 0.5
    safe = np.where(near, 1.0, x)
    series = np.zeros_like(x)
    for k in range(16, 0, -1):
        series = series * np.where(near, x, 0.0) + (-1.0) ** k * k / math.factorial(k + 1)
    return np.where(near, series, ((1 + safe) * np.exp(-safe) - 1) / (safe * safe))


def trace_derivatives(
    table: SpectralTable,
    modulus: float,
    viscosity: float,
    force: float,
    acquisition: Acquisition,
    frame_time: ArrayLike,
    coefficient: ArrayLike,
) -> tuple[Floats, Floats, Floats]:
    """One trace and its derivatives with respect to ln(G + 10 Pa) and ln eta.

    Parameters
    ----------
    table : SpectralTable
        Of the well.
    modulus : float
        G, above -10 Pa [Pa].
    viscosity : float
        eta, positive [Pa·s].
    force : float
        Peak body force [N/m^3].
    acquisition : Acquisition
        Density and push duration are used.
    frame_time : array_like, shape (frame,)
        From the start of the push [s].
    coefficient : array_like, shape (row,)
        Of :func:`coupling` [-].

    Returns
    -------
    tuple of ndarray, shape (frame,)
        Displacement and the two derivatives [m].

    Raises
    ------
    InputError
        If the modulus is not above -10 Pa or the viscosity is not positive.
    """
    if not (math.isfinite(modulus) and modulus > -LOG_OFFSET):
        raise InputError("modulus", got=modulus, allowed=f"above {-LOG_OFFSET} Pa")
    if not (math.isfinite(viscosity) and viscosity > 0):
        raise InputError("viscosity", got=viscosity, allowed="a positive finite number of Pa·s")
    scale = table.eigenvalue / acquisition.density
    c = np.asarray(coefficient, dtype=float) * force / acquisition.density
    q, q_w, q_b = oscillator(frame_time, modulus * scale, 0.5 * viscosity * scale, acquisition.push_duration)
    return q @ c, (modulus + LOG_OFFSET) * (q_w @ (c * scale)), 0.5 * viscosity * (q_b @ (c * scale))


def trace(
    table: SpectralTable,
    modulus: float,
    viscosity: float,
    force: float,
    acquisition: Acquisition,
    frame_time: ArrayLike,
    depth: ArrayLike | None = None,
    sensitivity: ArrayLike | None = None,
    order: int = 0,
) -> Floats:
    """The displacement a beam sees in one push.

    Parameters
    ----------
    table : SpectralTable
        Of the well.
    modulus : float
        G, above -10 Pa [Pa].
    viscosity : float
        eta, positive [Pa·s].
    force : float
        Peak body force [N/m^3].
    acquisition : Acquisition
        Density and push duration are used.
    frame_time : array_like, shape (frame,)
        From the start of the push; frames before, inside and after it are all modelled [s].
    depth, sensitivity : array_like, shape (depth,), optional
        The tracking gate and its weights, as in :func:`coupling` [m], [-].
    order : int
        Laguerre order of the weighting across the beam [-].

    Returns
    -------
    ndarray, shape (frame,)
        Positive away from the transducer [m].
    """
    c = coupling(table, depth, sensitivity, order)
    return trace_derivatives(table, modulus, viscosity, force, acquisition, frame_time, c)[0]


def complex_modulus(modulus: ArrayLike, viscosity: ArrayLike, frequency: float) -> NDArray[np.complex128]:
    """Complex shear modulus of a Kelvin-Voigt medium.

    Parameters
    ----------
    modulus, viscosity : array_like
        G [Pa] and eta [Pa·s].
    frequency : float
        [Hz].

    Returns
    -------
    ndarray of complex
        G' + i G''; the storage modulus G' is G at every frequency [Pa].

    Examples
    --------
    >>> complex(complex_modulus(100.0, 0.5, 0.0))
    (100+0j)
    """
    g = np.asarray(modulus, dtype=float)
    return np.asarray(g + 2j * math.pi * frequency * np.asarray(viscosity, dtype=float))


def loss_tangent(modulus: ArrayLike, viscosity: ArrayLike, frequency: float) -> Floats:
    """G''/G' of a Kelvin-Voigt medium; infinite where G' is 0.

    Parameters
    ----------
    modulus, viscosity : array_like
        G [Pa] and eta [Pa·s].
    frequency : float
        [Hz].

    Returns
    -------
    ndarray
        [-].
    """
    value = complex_modulus(modulus, viscosity, frequency)
    with np.errstate(divide="ignore"):
        return np.asarray(np.divide(value.imag, value.real))
