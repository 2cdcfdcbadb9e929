"""A contour in the Laplace plane and the matrix that turns values on it into frames.

The displacement after a push is ``(1/2 pi i) int f(s) E(s, t) ds`` with f the sum of all modes and
``E(s, t) = (exp(s t) - exp(s max(t - Tp, 0)))/s`` the push of duration Tp. What f has off the negative real axis - the
poles of modes that ring - is taken out and added in closed form, so one hyperbola about the negative axis and one real
matrix serve every modulus; see :mod:`stanch.mechanics.rheology.kernel`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["Contour", "contour"]

Floats = NDArray[np.float64]

ANGLE = 0.25 * math.pi
"""By how much the hyperbola's arms lean beyond the imaginary axis: half way to the negative axis [rad]."""

STEP = 0.20
GROWTH = 3.0
"""Vertex scale of the hyperbola times the last frame time."""

FARTHEST = 3e9
"""Largest |s| on the contour [1/s]: beyond, what is left of f falls as 1/s^2."""


@dataclass(frozen=True)
class Contour:
    """Nodes in the upper half plane and their weights at every frame.

    Parameters
    ----------
    time : ndarray, shape (frame,)
        From the start of the push [s].
    duration : float
        Of the push [s].
    node : ndarray of complex, shape (node,)
        [1/s].
    matrix : ndarray, shape (frame, 2 node)
        Displacement is matrix times the real parts of f, then its imaginary parts [-].
    """

    time: Floats
    duration: float
    node: NDArray[np.complex128]
    matrix: Floats


def contour(frame_time: ArrayLike, duration: float) -> Contour:
    """Contour for a set of frame times.

    Parameters
    ----------
    frame_time : array_like, shape (frame,)
        From the start of the push, rising; up to a few seconds [s].
    duration : float
        Of the push [s].

    Returns
    -------
    Contour

    Raises
    ------
    InputError
        If the times do not rise, none follows the start of the push, or the duration is not positive.

    Notes
    -----
    ``s(u) = m (1 + sin(iu - psi))``, the hyperbola of Weideman & Trefethen, Math Comp 2007;76:1341, by the trapezoidal
    rule in u: the error falls as exp(-2 pi d/h), d the width of the strip in which f has no singularity. Its nodes lie
    as the logarithm of \\|s\\|, which is what covers frames from 0.05 to 100 ms at once.
    """
    time = np.ascontiguousarray(frame_time, dtype=float)
    if time.ndim != 1 or time.size == 0 or not np.all(np.isfinite(time)) or np.any(np.diff(time) <= 0):
        raise InputError("frame_time", got=time.shape, allowed="finite times, rising")
    if not (math.isfinite(duration) and duration > 0):
        raise InputError("push duration", got=duration, allowed="a positive time [s]")
    if time[-1] <= 0:
        raise InputError("frame_time", got=time[-1], allowed="frames after the start of the push")
    return _contour(time.tobytes(), float(duration))


@lru_cache(maxsize=32)
def _contour(raw: bytes, duration: float) -> Contour:
    time = np.frombuffer(raw)
    size = GROWTH / max(float(time[-1]), 2.0 * duration)
    u = STEP * np.arange(math.ceil(math.asinh(FARTHEST / size) / STEP))
    node = size * (1.0 + np.sin(1j * u - ANGLE))
    slope = 1j * size * np.cos(1j * u - ANGLE)
    weight = slope * (STEP / math.pi)
    weight[0] *= 0.5
    later = np.maximum(time - duration, 0.0)
    first = np.where(time > duration, duration, np.maximum(time, 0.0))
    # (exp(s t) - exp(s later))/s without loss where s times the difference is small.
    with np.errstate(under="ignore"):
        push = np.exp(np.maximum((later[:, None] * node).real, -700.0) + 1j * (later[:, None] * node).imag)
        push = push * _growth(node[None, :], first[:, None]) * weight
    return Contour(time, duration, node, np.ascontiguousarray(np.concatenate([push.imag, push.real], axis=1)))


def _growth(s: NDArray[np.complex128], t: Floats) -> NDArray[np.complex128]:
    """(exp(s t) - 1)/s."""
    x = np.maximum(s.real * t, -700.0) + 1j * s.imag * t
    return np.asarray(np.expm1(x) / s)
