"""Posterior modulus curve of one well, with joint sample paths.

The observations are y = ln(G + 10 Pa) of every usable push, with their full covariance: own noise, and the speckle that
pushes share. The curve is a cubic spline in warped clot time (``basis``) under a smoothness prior that is learned along
clot age (``prior``), so conditioning is exact linear algebra in about a hundred spline weights.

Readings such as a highest mean or a first crossing are not linear in the curve, and their samples are biased. The curve
therefore also carries re-estimated curves: new pushes are drawn from the central curve with the same noise covariance
and smoothed again. How far a reading moves there tells its bias (a parametric bootstrap).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.curve.basis import Warp, rough_corner, spline_weights
from stanch.curve.noise import usable_pushes, whiten
from stanch.curve.prior import Evidence, Smoothness, Weights, fit_smoothness, solve
from stanch.curve.records import Curve
from stanch.curve.viscosity import smooth_viscosity
from stanch.mechanics.records import LOG_OFFSET, Moduli

__all__ = ["CurveSettings", "smooth"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    corner = rough_corner(pushes.time, pushes.value, pushes.sd)
    start, end = float(pushes.time[0]), float(pushes.time[-1])
    warp = Warp(corner, settings.warp_scale, settings.warp_step, settings.warp_cap, start, end)
    level = float(np.median(pushes.value[:8]))
    prior = _prior(warp, settings)
    first, weight = spline_weights(warp, pushes.time)
    design = np.zeros((pushes.time.size, warp.size))
    np.put_along_axis(design, first[:, None] + np.arange(4), weight, axis=1)

    extra = np.zeros(pushes.time.size)
    theta = prior.centre
    for _ in range(3):
        evidence, inverse = whiten(design, pushes, level, extra)
        theta, spread = fit_smoothness(evidence, prior, theta)
        fitted = solve(evidence, prior, theta)
        residual, variance = _left_out(evidence, inverse, fitted)
        z = np.abs(residual) / np.sqrt(variance)
        far = z > settings.outlier
        if not far.any():
            break
        extra[far] += (z[far] ** 2 - 1.0) * variance[far]

    shares, members = _mixture(evidence, prior, theta, spread, settings.mixture, rng)
    counts = _allocate(shares, paths, rng)
    centre = np.sum([w * m.mean for w, m in zip(shares, members)], axis=0)
    draws = np.concatenate(
        [m.mean + rng.standard_normal((c, warp.size)) @ m.root.T for c, m in zip(counts, members) if c]
    )
    draws = draws[rng.permutation(paths)]
    again = evidence.precision @ centre + rng.standard_normal((settings.resampled, pushes.time.size)) @ evidence.gain
    hat = np.sum([w * (m.root @ m.root.T) for w, m in zip(shares, members)], axis=0)
    resampled = again @ hat

    time = np.linspace(start, end, int(np.ceil((end - start) / settings.grid_step - 1e-9)) + 1)
    at, blend = spline_weights(warp, time)
    middle = level + _evaluate(centre[None, :], at, blend)[0]
    band = np.zeros(time.size)
    for w, m in zip(shares, members):
        band += w * np.sum(_evaluate(m.root.T, at, blend) ** 2, axis=0)
        band += w * (_evaluate(m.mean[None, :], at, blend)[0] + level - middle) ** 2
    half = 1.959963984540054 * np.sqrt(band)
    coarse = Warp(corner, settings.warp_scale, 3.0 * settings.warp_step, 3.0 * settings.warp_cap, start, end)
    eta = smooth_viscosity(moduli, coarse, _prior(coarse, settings), time)
    named = {f"ln_s_{k}": float(v) for k, v in enumerate(theta)}
    return Curve(
        time=time,
        modulus=_modulus(middle),
        low=_modulus(middle - half),
        high=_modulus(middle + half),
        paths=_modulus(level + _evaluate(draws, at, blend)),
        viscosity=None if eta is None else eta[0],
        viscosity_low=None if eta is None else eta[1],
        viscosity_high=None if eta is None else eta[2],
        push_time=pushes.time,
        seed=seed,
        settings={"corner": corner, "splines": float(warp.size), **named},
        centre=np.exp(middle) - LOG_OFFSET,
        resampled=np.exp(level + _evaluate(resampled, at, blend)) - LOG_OFFSET,
        weighted_down=np.flatnonzero(extra > 0.0),
    )


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


def _left_out(evidence: Evidence, inverse: Floats, fitted: Weights) -> tuple[Floats, Floats]:
    """Residual of every push from the curve through all the others, and the variance of that residual."""
    misfit = evidence.value - evidence.gain @ fitted.mean
    if inverse.ndim == 1:
        own = inverse**2
        pulled = inverse * misfit
        explained = np.sum((inverse[:, None] * (evidence.gain @ fitted.root)) ** 2, axis=1)
    else:
        own = np.sum(inverse**2, axis=0)
        pulled = inverse.T @ misfit
        explained = np.sum((inverse.T @ (evidence.gain @ fitted.root)) ** 2, axis=1)
    variance = 1.0 / np.maximum(own - explained, 1e-12 * own)
    return pulled * variance, variance


def _mixture(
    evidence: Evidence, prior: Smoothness, theta: Floats, spread: Floats, size: int, rng: np.random.Generator
) -> tuple[Floats, list[Weights]]:
    """Hyperparameter sets drawn around the mode, with their importance weights."""
    root = np.linalg.cholesky(spread)
    normal = rng.standard_normal((size, theta.size))
    normal[0] = 0.0
    members = [solve(evidence, prior, theta + root @ z) for z in normal]
    log_weight = np.array([m.log_evidence + 0.5 * float(z @ z) for m, z in zip(members, normal)])
    log_weight -= log_weight.max()
    # Cut the largest weights: a few draws must not stand for the whole posterior.
    weight = np.minimum(np.exp(log_weight), 3.0 * float(np.mean(np.exp(log_weight))))
    return weight / weight.sum(), members


def _allocate(shares: Floats, paths: int, rng: np.random.Generator) -> list[int]:
    """Systematic resampling: how many paths each hyperparameter set gets."""
    marks = (np.arange(paths) + rng.random()) / paths
    picked = np.minimum(np.searchsorted(np.cumsum(shares), marks), shares.size - 1)
    return [int(c) for c in np.bincount(picked, minlength=shares.size)]


def _evaluate(weights: Floats, first: Ints, blend: Floats) -> Floats:
    """Splines with `weights` (path, spline) at times given by `spline_weights`: shape (path, time)."""
    from scipy.sparse import csr_matrix

    rows = np.repeat(np.arange(first.size), 4)
    matrix = csr_matrix(
        (blend.ravel(), (rows, (first[:, None] + np.arange(4)).ravel())), shape=(first.size, weights.shape[1])
    )
    return np.asarray((matrix @ weights.T).T)
