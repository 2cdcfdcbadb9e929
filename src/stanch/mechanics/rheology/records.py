"""The record of a fit with a stated rheology: what every push says, and which model it speaks for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.media import MODELS, ModelName

__all__ = ["MODELS", "ModelName", "Rheology"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rheology:
    """The complex modulus of every push of one well at a stated frequency, by one model.

    Arrays hold NaN only where the push is not usable.

    Parameters
    ----------
    model : str
        One of :data:`MODELS`.
    frequency : float
        At which moduli and loss tangent are stated [Hz].
    parameters : dict of str to ndarray, shape (push,)
        Fitted parameters in SI units, by name.
    covariance : ndarray, shape (push, parameter, parameter)
        Of the logarithms of the parameters, in their order, of that push alone [-].
    storage, loss : ndarray, shape (push,)
        G' and G'' at `frequency` [Pa].
    log_loss_tangent, log_loss_tangent_sd : ndarray, shape (push,)
        ln(G''/G') and its standard deviation, speckle included [-].
    damping_ratio : ndarray, shape (push,)
        Of the slowest mode of the well: a quality curve, nothing is read from it [-].
    log_evidence : ndarray, shape (push,)
        Natural logarithm of the marginal likelihood of the push under the model [-].
    rivals : dict of str to ndarray, shape (push,)
        The same for other models that were fitted to the same pushes [-].
    correlation : ndarray, shape (push,), or None
        Between the errors of ``Moduli.log_modulus`` and of `log_loss_tangent` of the same push [-]; None where unknown.
    shared : ndarray, shape (push, push), or None
        Covariance between pushes of `log_loss_tangent`, what speckle they share; 0 beside the diagonal for pushes that
        do not reject G' = 0 [-]; None where unknown.
    cross : ndarray, shape (push, push), or None
        Covariance of the `log_loss_tangent` of one push with the ``Moduli.log_modulus`` of another [-]; None where
        unknown.
    widening : ndarray, shape (push, 2), or None
        By how much the SDs of ``Moduli.log_modulus`` and of the phase angle are wider than `covariance` says, since the
        sum of squares is no parabola [-]; None where unknown.
    """

    model: ModelName
    frequency: float
    parameters: dict[str, Floats]
    covariance: Floats
    storage: Floats
    loss: Floats
    log_loss_tangent: Floats
    log_loss_tangent_sd: Floats
    damping_ratio: Floats
    log_evidence: Floats
    rivals: dict[str, Floats] = field(default_factory=dict)
    correlation: Floats | None = None
    shared: Floats | None = None
    cross: Floats | None = None
    widening: Floats | None = None

    def first(self, count: int) -> Rheology:
        """The same of the first `count` pushes [-]."""
        cut: dict[str, Any] = {}
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                cut[name] = value[:count, :count] if name in ("shared", "cross") else value[:count]
            elif isinstance(value, dict):
                cut[name] = {key: row[:count] for key, row in value.items()}
        return replace(self, **cut)
