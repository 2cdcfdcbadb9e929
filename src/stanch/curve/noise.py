"""The pushes that enter a curve, and their noise divided out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.curve.prior import Evidence
from stanch.errors import InputError
from stanch.mechanics.records import Moduli

__all__ = ["FEWEST", "Pushes", "usable_pushes", "whiten"]

Floats = NDArray[np.float64]

FEWEST = 4
"""Usable pushes below which there is no curve [-]."""


@dataclass(frozen=True)
class Pushes:
    """Observations with their covariance.

    Parameters
    ----------
    time, value : ndarray, shape (push,)
        [s], [-].
    covariance : ndarray, shape (push, push)
        [-].
    diagonal : bool
        Whether nothing is shared between pushes.
    """

    time: Floats
    value: Floats
    covariance: Floats
    diagonal: bool

    @classmethod
    def build(cls, time: Floats, value: Floats, covariance: Floats) -> Pushes:
        """Observations [-] at times [s], noting whether their covariance is diagonal."""
        return cls(time, value, covariance, bool(np.count_nonzero(covariance) <= time.size))

    @property
    def sd(self) -> Floats:
        """Of each value [-]."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def usable_pushes(moduli: Moduli) -> Pushes:
    """The usable pushes of one well.

    Raises
    ------
    InputError
        If fewer than four are usable, their times do not increase, or a value is not finite.
    """
    keep = np.flatnonzero(moduli.usable)
    if keep.size < FEWEST:
        raise InputError(
            "usable pushes",
            got=int(keep.size),
            allowed=f"at least {FEWEST} for a curve",
            do="Look at the flags of the pushes.",
        )
    time = np.asarray(moduli.push_time[keep], dtype=float)
    if not bool(np.all(np.diff(time) > 0)):
        at = int(np.argmax(np.diff(time) <= 0)) + 1
        raise InputError("push_time", got=float(time[at]), allowed="times that increase from push to push [s]")
    value = np.asarray(moduli.log_modulus[keep], dtype=float)
    covariance = np.asarray(moduli.covariance[np.ix_(keep, keep)], dtype=float)
    if not (np.isfinite(value).all() and np.isfinite(covariance).all()):
        raise InputError("log_modulus or covariance", got="a value that is not finite", allowed="finite numbers")
    if not bool(np.all(np.diag(covariance) > 0)):
        raise InputError(
            "covariance of log_modulus", got=float(np.diag(covariance).min()), allowed="positive variances"
        )
    return Pushes.build(time, value, covariance)


def whiten(design: Floats, pushes: Pushes, level: float, extra: Floats) -> tuple[Evidence, Floats]:
    """Divide design and observations by the Cholesky factor of the noise.

    Parameters
    ----------
    design : ndarray, shape (push, spline)
        Spline values [-].
    pushes : Pushes
    level : float
        Taken off the values [-].
    extra : ndarray, shape (push,)
        Variance added to pushes that are weighted down [-].

    Returns
    -------
    evidence : Evidence
    inverse : ndarray, shape (push,) or (push, push)
        Of the factor; the diagonal alone where nothing is shared [-].

    Raises
    ------
    InputError
        If the covariance is not positive definite.
    """
    centred = pushes.value - level
    if pushes.diagonal:
        inverse = 1.0 / np.sqrt(np.diag(pushes.covariance) + extra)
        gain, value = design * inverse[:, None], centred * inverse
    else:
        from scipy.linalg.lapack import dpotrf, dtrtri

        lower, info = dpotrf(pushes.covariance + np.diag(extra), lower=1, clean=1)
        if info != 0:
            raise InputError(
                "covariance of log_modulus",
                got="a matrix that is not positive definite",
                allowed="own noise plus the speckle that pushes share",
            )
        inverse, _ = dtrtri(lower, lower=1)
        gain, value = inverse @ design, inverse @ centred
    return Evidence(gain, value, gain.T @ gain, gain.T @ value), inverse
