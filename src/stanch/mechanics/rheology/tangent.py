"""Loss tangent of fitted pushes at other frequencies than the fit states, by the same model."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.mechanics.rheology.models import log_jacobian, modulus_gradient, to_search
from stanch.mechanics.rheology.records import Rheology

__all__ = ["loss_tangent_at"]

Floats = NDArray[np.float64]

_Z95 = 1.959963984540054


def loss_tangent_at(rheology: Rheology, frequency: float) -> tuple[Floats, Floats, Floats]:
    """Loss tangent of every push at a frequency, if the model holds there too.

    Parameters
    ----------
    rheology : Rheology
        Of a fit.
    frequency : float
        [Hz].

    Returns
    -------
    tuple of three ndarray, shape (push,)
        G''/G' and its 95 % interval; the upper end is infinite where G' = 0 is not excluded, all are NaN where the push
        is not usable [-].

    Notes
    -----
    The interval is that of the phase angle, to first order in the errors of the parameters.
    """
    value, low, high = (np.full(rheology.storage.size, np.nan) for _ in range(3))
    good = np.isfinite(rheology.storage)
    if not good.any():
        return value, low, high
    x = to_search(
        rheology.model, {name: rheology.parameters[name][good] for name in rheology.parameters}, rheology.frequency
    )
    back = np.linalg.inv(log_jacobian(rheology.model, x, rheology.frequency))
    covariance = back @ rheology.covariance[good] @ np.swapaxes(back, -1, -2)
    moduli, slope = modulus_gradient(rheology.model, x, rheology.frequency, frequency)
    storage, loss = moduli[:, 0], moduli[:, 1]
    turn = (storage[:, None] * slope[:, 1] - loss[:, None] * slope[:, 0]) / (storage**2 + loss**2)[:, None]
    sd = np.sqrt(np.maximum(np.einsum("pi,pij,pj->p", turn, covariance, turn), 0.0))
    if rheology.widening is not None:
        sd = sd * rheology.widening[good, 1]
    angle = np.arctan2(loss, storage)

    def tangent(phase: Floats) -> Floats:
        return np.where(phase >= 0.5 * np.pi - 1e-9, np.inf, np.tan(np.clip(phase, 0.0, 0.5 * np.pi - 1e-9)))

    value[good], low[good], high[good] = tangent(angle), tangent(angle - _Z95 * sd), tangent(angle + _Z95 * sd)
    return value, low, high
