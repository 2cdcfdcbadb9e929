"""Posterior modulus curve of one well, with joint sample paths.

The observations are y = ln(G + 10 Pa) of every usable push, with their full covariance: own noise, and the speckle that
pushes share. The curve is a cubic spline in warped clot time (``basis``) under a smoothness prior that is learned along
clot age (``prior``), so conditioning is exact linear algebra in about a hundred spline weights.

Readings such as a highest mean or a first crossing are not linear in the curve, and their samples are biased. The curve
therefore also carries re-estimated curves: new pushes are drawn from the central curve with the same noise covariance
and smoothed again. How far a reading moves there tells its bias (a parametric bootstrap).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stanch.curve.basis import Warp, rough_corner
from stanch.curve.fitted import Fitted, fit
from stanch.curve.loss import crossing, joint_draws, loss_pushes
from stanch.curve.noise import usable_pushes
from stanch.curve.prior import Smoothness
from stanch.curve.records import Curve
from stanch.curve.viscosity import smooth_viscosity
from stanch.mechanics.records import LOG_OFFSET, Moduli
from stanch.mechanics.rheology.records import Rheology

__all__ = ["CurveSettings", "smooth"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CurveSettings:
    """How a curve is smoothed.

    Parameters
    ----------
    grid_step : float
        Longest step of the time grid [s].
    warp_scale, warp_step, warp_cap : float
        See ``basis`` [s], [-], [s].
    order : int
        Of the differences that are penalised [-].
    memory : float
        Over how many knots a slope dies out [-].
    level, level_sd, drift_sd : float
        Prior of ln s: centre and spread of its mean, spread of a step between control points [-].
    controls : tuple of float
        Control points in the age coordinate [-].
    mixture : int
        Number of hyperparameter sets mixed [-].
    resampled : int
        Number of re-estimated curves [-].
    outlier : float
        Leave-one-out standardised residual above which a push is weighted down [-].
    """

    grid_step: float = 2.0
    warp_scale: float = 60.0
    warp_step: float = 0.1
    warp_cap: float = 75.0
    order: int = 3
    memory: float = 8.0
    level: float = -7.0
    level_sd: float = 4.0
    drift_sd: float = 2.0
    controls: tuple[float, ...] = (-3.0, -1.5, -0.7, 0.0, 0.6, 1.2, 1.8, 2.4, 3.0, 3.6, 4.2, 4.8)
    mixture: int = 16
    resampled: int = 200
    outlier: float = 4.0


def smooth(moduli: Moduli, *, seed: int, paths: int = 1000, settings: CurveSettings | None = None) -> Curve:
    """Smooth the pushes of one well into a posterior curve.

    Parameters
    ----------
    moduli : Moduli
        Per-push estimates; pushes that are not usable are left out.
    seed : int
        Of the sample paths.
    paths : int
        Number of joint sample paths [-].
    settings : CurveSettings, optional

    Returns
    -------
    Curve

    Raises
    ------
    InputError
        If fewer than four pushes are usable, or their times do not increase.
    """
    settings = settings or CurveSettings()
    rng = np.random.default_rng(seed)
    pushes = usable_pushes(moduli)
    start, end = float(pushes.time[0]), float(pushes.time[-1])
    step, cap = settings.warp_step, settings.warp_cap
    warp = Warp(rough_corner(pushes.time, pushes.value, pushes.sd), settings.warp_scale, step, cap, start, end)
    fitted = fit(pushes, warp, _prior(warp, settings), settings.outlier)
    mixed = fitted.mixed(settings.mixture, rng)
    which = mixed.members_of(paths, rng)
    normal = rng.standard_normal((paths, warp.size))
    order = rng.permutation(paths)
    draws = mixed.weights(normal, which)[order]
    resampled = mixed.again(settings.resampled, rng)

    time = np.linspace(start, end, int(np.ceil((end - start) / settings.grid_step - 1e-9)) + 1)
    middle, half = mixed.band(time)
    coarse = replace(warp, step=3.0 * step, cap=3.0 * cap)
    eta = smooth_viscosity(moduli, coarse, _prior(coarse, settings), time)
    named = {f"ln_s_{k}": float(v) for k, v in enumerate(fitted.theta)}
    curve = Curve(
        time=time,
        modulus=_modulus(middle),
        low=_modulus(middle - half),
        high=_modulus(middle + half),
        paths=_modulus(fitted.at(time, draws)),
        viscosity=None if eta is None else eta[0],
        viscosity_low=None if eta is None else eta[1],
        viscosity_high=None if eta is None else eta[2],
        push_time=pushes.time,
        seed=seed,
        settings={"corner": warp.corner, "splines": float(warp.size), **named},
        centre=np.exp(middle) - LOG_OFFSET,
        resampled=np.exp(fitted.at(time, resampled)) - LOG_OFFSET,
        weighted_down=np.flatnonzero(fitted.extra > 0.0),
    )
    if moduli.rheology is None:
        return curve
    return _with_loss(curve, moduli, moduli.rheology, fitted, normal[order], settings)


def _with_loss(
    curve: Curve, moduli: Moduli, rheology: Rheology, fitted: Fitted, normal: Floats, settings: CurveSettings
) -> Curve:
    """The curve with the loss tangent at the stated frequency, or with why there is none."""
    curve = replace(curve, frequency=rheology.frequency)
    found = loss_pushes(moduli, rheology)
    if isinstance(found, str):
        return replace(curve, loss_absent=found)
    warp = replace(fitted.warp, corner=crossing(found.pushes, fitted.warp.corner))
    loss = fit(found.pushes, warp, _prior(warp, settings), settings.outlier)
    rng = np.random.default_rng([curve.seed, 3])
    mixed = loss.mixed(settings.mixture, rng)
    which = rng.permutation(mixed.members_of(normal.shape[0], rng))
    draws = mixed.weights(joint_draws(fitted, loss, found, normal, rng), which)
    middle, half = mixed.band(curve.time)
    return replace(
        curve,
        loss_tangent=_exp(middle),
        loss_low=_exp(middle - half),
        loss_high=_exp(middle + half),
        loss_paths=_exp(loss.at(curve.time, draws)),
        loss_centre=_exp(middle),
        loss_resampled=_exp(loss.at(curve.time, mixed.again(settings.resampled, rng))),
        settings={**curve.settings, "loss_corner": warp.corner},
    )


def _exp(log_loss: Floats) -> Floats:
    # Far beyond what a push can tell; keeps numbers finite where no push says anything.
    return np.asarray(np.exp(np.clip(log_loss, -20.0, 20.0)))


def _modulus(y: Floats) -> Floats:
    modulus = np.exp(y)
    modulus -= LOG_OFFSET
    return np.maximum(modulus, 0.0, out=modulus)


def _prior(warp: Warp, settings: CurveSettings) -> Smoothness:
    age = warp.centres()
    inside = np.clip(np.array(settings.controls), age[0], age[-1])
    controls = np.unique(inside)
    if controls.size < 2:
        controls = np.array([age[0], age[-1] + 1e-6])
    return Smoothness.build(
        age,
        controls,
        order=settings.order,
        memory=settings.memory,
        level=settings.level,
        level_sd=settings.level_sd,
        drift_sd=settings.drift_sd,
    )
