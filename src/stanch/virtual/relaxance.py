"""Answer of the modes of a virtual well to a push for any linear material, by inversion of the Laplace transform.

Mode n obeys ``q(s) = (1 - exp(-s Tp)) / (s D(s))``, ``D(s) = s^2 + lambda_n G(s) / rho``. Every material of
:class:`~stanch.virtual.material.Material` leaves at most one pair of complex poles on the principal sheet; whatever
else there is lies on the negative real axis: single, double or triple poles, and the cut of the spring-pot. The
inversion integral runs along one of two hyperbolas around that axis, for each mode the one that stays away from its
pair, whose residues are added where the pair is outside. Nothing is integrated along the cut itself, where narrow
peaks would stand, and roots that meet on the axis need no care.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.virtual.material import Material

__all__ = ["mode_response", "oscillating_pole"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

# Angles of the two hyperbolas in (0, pi/2), from the vertical to the negative axis. A pole is never nearer than 0.37 to
# the hyperbola that is taken, and the trapezium rule errs by exp(-2 pi 0.37 / step). The axis stands further off, since
# the fourfold pole that a liquid has at the origin of this plane weighs (2 pi / step)^3 more.
_ANGLES = (0.36, 1.1)
_STEP = 0.07
_TIMES = 4.0  # scale of the hyperbolas times the last moment
_END = 1e5  # how far beyond the fastest mode the hyperbolas go; what is left out is about 1 / _END^2 of it


def mode_response(
    eigenvalue: ArrayLike, time: ArrayLike, material: Material, density: float, duration: float
) -> Floats:
    """Movement of each mode after a rectangular push of unit modal force, from rest.

    Parameters
    ----------
    eigenvalue : array_like, shape (mode,)
        Of the Stokes operator [1/m^2].
    time : array_like, shape (frame,)
        From the start of the push [s]; nothing has moved at or before 0.
    material : Material
        Anything that resists; a sample without any modulus has no pole to turn around.
    density : float
        rho [kg/m^3].
    duration : float
        Of the push [s].

    Returns
    -------
    ndarray, shape (mode, frame)
        [s^2].

    Notes
    -----
    Hyperbolic contours for the inverse Laplace transform: Weideman and Trefethen, Math. Comp. 2007;76:1341 (from
    memory); the angles, the residues and the reach are this project's own and checked against closed forms and against
    integration in time.

    Examples
    --------
    >>> q = mode_response([0.0], [5e-4, 1e-3, 2e-3], Material(1.0), 1000.0, 1e-3)
    >>> [round(float(x), 12) for x in q[0]]
    [1.25e-07, 5e-07, 1.5e-06]
    """
    scale = np.atleast_1d(np.asarray(eigenvalue, dtype=float)) / density
    moment = np.atleast_1d(np.asarray(time, dtype=float))
    out: Floats = np.zeros((scale.size, moment.size))
    moved = moment > 0
    t = moment[moved]
    if not (t.size and scale.size):
        return out
    start = _TIMES / float(t.max())
    pole = oscillating_pole(scale, material)
    angle = -np.arcsin(pole / start - 1).real  # of the hyperbola through the pole; without a pole NaN
    first = ~(np.abs(angle - _ANGLES[0]) < np.abs(angle - _ANGLES[1]))
    q = np.empty((scale.size, t.size))
    reach = _END * max(float(_speed(scale.max(), material, 1 / duration)), start, 1 / duration)
    for chosen, phi in ((first, _ANGLES[0]), (~first, _ANGLES[1])):
        if chosen.any():
            q[chosen] = _along(scale[chosen], t, material, duration, phi, start, reach)
    outside = np.isfinite(angle) & (angle < np.where(first, *_ANGLES))
    if outside.any():
        p, k = pole[outside, None], scale[outside, None]
        weight = 2.0 / (p * _slope(k, p, material))
        q[outside] += (weight * _moments(p, t[None, :], duration)).real
    out[:, moved] = q
    return out


def _moments(s: Complexes, t: Floats, duration: float) -> Complexes:
    """What the push does to an exponential, without the constant that adds up to nothing."""
    rest = t - duration
    out: Complexes = np.exp(s * t)
    after = np.broadcast_to(rest > 0, out.shape)
    out[after] -= np.broadcast_to(np.exp(s * np.maximum(rest, 0.0)), out.shape)[after]
    return out


def _along(
    scale: Floats, t: Floats, material: Material, duration: float, phi: float, start: float, reach: float
) -> Floats:
    """The integral along the hyperbola ``s = start (1 + sin(i u - phi))``, by the midpoint rule in u."""
    u = np.arange(0.5 * _STEP, np.log(2 * reach / start), _STEP)
    w = 1j * u - phi
    s = start * (1 + np.sin(w))
    weight = start * _STEP / np.pi * np.cos(w) / s
    part = weight / (s**2 + scale[:, None] * material.relaxance(s))
    moments = _moments(s[:, None], t[None, :], duration)
    # The real part of the product in one real product.
    left = np.concatenate([part.real, part.imag], axis=1)
    right = np.concatenate([moments.real, -moments.imag], axis=0)
    out: Floats = left @ right
    return out


def _speed(scale: Any, material: Material, at: float) -> Any:
    """Rate at which the inertia of a mode gives way to its stiffness [1/s]."""
    rate = np.full_like(np.asarray(scale, dtype=float), at)
    for _ in range(24):
        rate = np.maximum(np.sqrt(scale * np.abs(material.relaxance(rate))), 1e-30)
    return rate


def _stiffness_slope(s: Complexes, material: Material) -> Complexes:
    """Derivative of the relaxance with respect to s."""
    out: Complexes = np.full(s.shape, material.viscosity, dtype=complex)
    if material.pot:
        out = out + material.order * material.pot * s ** (material.order - 1)
    if material.branch:
        out = out + material.branch * material.relaxation / (1 + s * material.relaxation) ** 2
    return out


def _slope(scale: Floats, s: Complexes, material: Material) -> Complexes:
    out: Complexes = 2 * s + scale * _stiffness_slope(s, material)
    return out


def oscillating_pole(scale: Floats, material: Material) -> Complexes:
    """The pole of each mode in the open upper half plane of the principal sheet.

    With a spring-pot there is exactly one: along the rim of the upper half plane the argument of ``D`` times the
    denominator of the relaxing branch winds once. Without one the equation is a polynomial of degree two or three with
    at most one pair of complex roots.

    Parameters
    ----------
    scale : ndarray, shape (mode,)
        Eigenvalue over density [m/kg].
    material : Material

    Returns
    -------
    ndarray of complex, shape (mode,)
        [1/s]; NaN where all roots are real or where the pole has run up against the negative axis.
    """
    guess = _rational_pole(scale, material) if material.pot == 0 else _fractional_guess(scale, material)
    z = np.log(guess)
    ok = np.isfinite(z)
    k = scale[ok]
    x = z[ok]
    for _ in range(40):
        s = np.exp(x)
        step = (s**2 + k * material.relaxance(s)) / (s * _slope(k, s, material))
        size = np.abs(step)
        x = x - step * np.minimum(1.0, 0.5 / np.maximum(size, 1e-300))
        # The principal sheet ends at pi; a pole this near to it needs no residue.
        x = x.real + 1j * np.clip(x.imag, 1e-9, np.pi - 1e-9)
        if size.max(initial=0.0) < 1e-14:
            break
    s = np.exp(x)
    size = np.abs(s) ** 2 + k * np.abs(material.relaxance(s))
    right = np.abs(s**2 + k * material.relaxance(s)) < 1e-9 * size
    out = np.full(scale.shape, np.nan + 1j * np.nan)
    out[ok] = np.where(right, s, np.nan + 1j * np.nan)
    return out


def _rational_pole(scale: Floats, material: Material) -> Complexes:
    """The complex root of the polynomial without a spring-pot; NaN where all are real."""
    e, eta, b, tau = material.equilibrium, material.viscosity, material.branch, material.relaxation
    if b == 0:
        damping = 0.5 * eta * scale
        left = scale * e - damping**2
        root = -damping + 1j * np.sqrt(np.maximum(left, 0.0))
        return np.where(left > 0, root, np.nan + 1j * np.nan)
    unit = np.maximum(_speed(scale, material, 1 / tau), 1e-30)
    companion = np.zeros((scale.size, 3, 3))
    companion[:, 1, 0] = companion[:, 2, 1] = 1.0
    companion[:, 0, 2] = -scale * e / (tau * unit**3)
    companion[:, 1, 2] = -scale * (eta + (e + b) * tau) / (tau * unit**2)
    companion[:, 2, 2] = -(1 + scale * eta * tau) / (tau * unit)
    roots = np.linalg.eigvals(companion)
    best = np.take_along_axis(roots, np.argmax(roots.imag, axis=1)[:, None], axis=1)[:, 0]
    return np.where(best.imag > 1e-6 * np.abs(best), best * unit, np.nan + 1j * np.nan)


def _fractional_guess(scale: Floats, material: Material) -> Complexes:
    """Near the pole: the balance of inertia and modulus, ``s = i sqrt(scale G(s))``, followed a few times."""
    s: Complexes = 1j * _speed(scale, material, 1e3)
    for _ in range(12):
        s = 1j * np.sqrt(scale * material.relaxance(s))
        x = np.log(s)
        s = np.exp(x.real + 1j * np.clip(x.imag, 0.5 * np.pi, np.pi - 1e-6))
    return s
