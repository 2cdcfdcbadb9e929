"""The records of the mechanics stage: the spectral table of a well, and the moduli of every push."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.mechanics.rheology.records import Rheology
from stanch.recording.records import Geometry

__all__ = ["BEAM_ORDERS", "LOG_OFFSET", "Moduli", "SpectralTable"]

Floats = NDArray[np.float64]

BEAM_ORDERS = 4
"""Laguerre orders of the weighting across the beam that a table holds, 0 to 3."""

LOG_OFFSET = 10.0
"""Pa added to G before the logarithm: y = ln(G + 10 Pa) stays finite and nearly Gaussian in liquid blood."""


@dataclass(frozen=True)
class SpectralTable:
    """Stokes-operator eigenvalues of a well and how force and beam couple to each row.

    What the beam sees at one depth is
    ``(F/rho) sum_n force[n] beam[k, n, z] h(t; G lambda_n/rho, eta lambda_n/(2 rho))``
    with h the response of a damped unit oscillator to the push.

    Parameters
    ----------
    eigenvalue : ndarray, shape (row,)
        lambda_n, ascending [1/m^2].
    force : ndarray, shape (row,)
        Coupling of the unit-peak force to the row [-].
    depth : ndarray, shape (depth,)
        Beam positions, 0 at the focus, positive away from the transducer [m].
    beam : ndarray, shape (order, row, depth)
        Beam-weighted axial movement of the row for Laguerre orders from 0; positive away from the transducer [-].
    geometry : Geometry or None
        What it was built for.
    key : str
        Hash of geometry and build settings.
    """

    eigenvalue: Floats
    force: Floats
    depth: Floats
    beam: Floats
    geometry: Geometry | None
    key: str


@dataclass(frozen=True)
class Moduli:
    """Modulus and viscosity of every push of one well.

    Parameters
    ----------
    push_time : ndarray, shape (push,)
        Since the well's activation [s].
    modulus, modulus_low, modulus_high : ndarray, shape (push,)
        G and its 95 % interval, speckle included [Pa]; where G = 0 is not rejected `modulus` is the (possibly slightly
        negative) fitted value, `modulus_low` is 0 and `zero_rejected` False.
    viscosity, viscosity_low, viscosity_high : ndarray, shape (push,)
        eta and its 95 % interval [Pa·s].
    force, force_sd : ndarray, shape (push,)
        Peak body force [N/m^3].
    log_modulus : ndarray, shape (push,)
        y = ln(G + LOG_OFFSET) at the joint solution [-].
    covariance : ndarray, shape (push, push)
        Of `log_modulus`: own noise on the diagonal plus the speckle shared between pushes [-].
    speckle : ndarray, shape (push,)
        Estimated speckle deviation delta of the first order [-].
    speckle_sd : ndarray, shape (push,)
        Its posterior standard deviation [-].
    strain : ndarray, shape (push,)
        Peak displacement over push radius [-].
    reduced_chi2 : ndarray, shape (push,)
        Weighted residual sum of squares per degree of freedom [-].
    zero_rejected : ndarray of bool, shape (push,)
        Whether G = 0 is rejected at 95 %.
    usable : ndarray of bool, shape (push,)
        Whether the push may enter the curve. Arrays hold NaN only where this is False.
    flags : ndarray of int64, shape (push,)
        ``PushFlag`` bits, those of the displacement included.
    fitted : ndarray, shape (push, frame), or None
        Fitted displacement [m]; None where analysis started at finished moduli.
    deviation, deviation_sd : ndarray, shape (push, term), or None
        All speckle deviations, in the order of ``InvertSettings.speckle_terms`` with that of the bending last, over the
        prior's unit, and their posterior standard deviations [-]; None where analysis started at finished moduli.
    rheology : Rheology or None
        With a model richer than Kelvin-Voigt: the complex modulus at the stated frequency. `modulus` is then G' there
        and `viscosity` G'' over the angular frequency.
    """

    push_time: Floats
    modulus: Floats
    modulus_low: Floats
    modulus_high: Floats
    viscosity: Floats
    viscosity_low: Floats
    viscosity_high: Floats
    force: Floats
    force_sd: Floats
    log_modulus: Floats
    covariance: Floats
    speckle: Floats
    speckle_sd: Floats
    strain: Floats
    reduced_chi2: Floats
    zero_rejected: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    flags: NDArray[np.int64]
    fitted: Floats | None
    deviation: Floats | None = None
    deviation_sd: Floats | None = None
    rheology: Rheology | None = None
