"""Splines conditioned on the pushes of one well, their hyperparameters fitted, mixed and drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.curve.basis import Warp, spline_weights
from stanch.curve.noise import Pushes, whiten
from stanch.curve.prior import Evidence, Smoothness, Weights, fit_smoothness, solve

__all__ = ["Fitted", "Mixed", "fit"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Fitted:
    """The spline weights of one curve given its pushes, at the mode of the hyperparameters.

    Parameters
    ----------
    pushes : Pushes
    warp : Warp
    prior : Smoothness
    level : float
        Taken off the values before smoothing [-].
    extra : ndarray, shape (push,)
        Variance added to pushes that are weighted down [-].
    evidence : Evidence
    inverse : ndarray, shape (push,) or (push, push)
        Of the Cholesky factor of the noise; the diagonal alone where nothing is shared [-].
    theta : ndarray, shape (control,)
        Hyperparameters [-].
    spread : ndarray, shape (control, control)
        Their covariance [-].
    weights : Weights
    """

    pushes: Pushes
    warp: Warp
    prior: Smoothness
    level: float
    extra: Floats
    evidence: Evidence
    inverse: Floats
    theta: Floats
    spread: Floats
    weights: Weights

    def at(self, time: Floats, weights: Floats) -> Floats:
        """Curves with `weights` (path, spline) [-] at times [s], the level added: shape (path, time) [-]."""
        first, blend = spline_weights(self.warp, time)
        return np.asarray(self.level + _evaluate(weights, first, blend))

    def mixed(self, size: int, rng: np.random.Generator) -> Mixed:
        """Hyperparameter sets drawn around the mode, with their importance weights."""
        root = np.linalg.cholesky(self.spread)
        normal = rng.standard_normal((size, self.theta.size))
        normal[0] = 0.0
        members = [solve(self.evidence, self.prior, self.theta + root @ z) for z in normal]
        log_weight = np.array([m.log_evidence + 0.5 * float(z @ z) for m, z in zip(members, normal)])
        log_weight -= log_weight.max()
        # Cut the largest weights: a few draws must not stand for the whole posterior.
        weight = np.minimum(np.exp(log_weight), 3.0 * float(np.mean(np.exp(log_weight))))
        return Mixed(self, weight / weight.sum(), tuple(members))


@dataclass(frozen=True)
class Mixed:
    """The posterior of the spline weights, mixed over the hyperparameters.

    Parameters
    ----------
    fitted : Fitted
    shares : ndarray, shape (member,)
        [-].
    members : tuple of Weights
    """

    fitted: Fitted
    shares: Floats
    members: tuple[Weights, ...]

    @property
    def centre(self) -> Floats:
        """Posterior mean of the weights, shape (spline,) [-]."""
        return np.asarray(np.sum([w * m.mean for w, m in zip(self.shares, self.members)], axis=0))

    def members_of(self, paths: int, rng: np.random.Generator) -> Ints:
        """Systematic resampling: the hyperparameter set of every path, in ascending order, shape (path,)."""
        marks = (np.arange(paths) + rng.random()) / paths
        picked = np.minimum(np.searchsorted(np.cumsum(self.shares), marks), self.shares.size - 1)
        return np.asarray(np.sort(picked), dtype=np.int64)

    def weights(self, normal: Floats, which: Ints) -> Floats:
        """Weights of paths [-] from their standard normal numbers, both (path, spline) [-], and their sets."""
        out = np.empty_like(normal)
        for k, member in enumerate(self.members):
            mine = which == k
            if mine.any():
                out[mine] = member.mean + normal[mine] @ member.root.T
        return out

    def again(self, size: int, rng: np.random.Generator) -> Floats:
        """Weights estimated again from pushes drawn from the central curve and its noise: (resample, spline) [-]."""
        evidence = self.fitted.evidence
        normal = rng.standard_normal((size, evidence.value.size))
        hat = np.sum([w * (m.root @ m.root.T) for w, m in zip(self.shares, self.members)], axis=0)
        return np.asarray((evidence.precision @ self.centre + normal @ evidence.gain) @ hat)

    def band(self, time: Floats) -> tuple[Floats, Floats]:
        """Posterior median and half-width of the pointwise 95 % band, each of shape (time,) [-]."""
        first, blend = spline_weights(self.fitted.warp, time)
        middle = _evaluate(self.centre[None, :], first, blend)[0]
        variance = np.zeros(time.size)
        for w, m in zip(self.shares, self.members):
            variance += w * np.sum(_evaluate(m.root.T, first, blend) ** 2, axis=0)
            variance += w * (_evaluate(m.mean[None, :], first, blend)[0] - middle) ** 2
        return self.fitted.level + middle, 1.959963984540054 * np.sqrt(variance)


def fit(pushes: Pushes, warp: Warp, prior: Smoothness, outlier: float) -> Fitted:
    """Condition splines on pushes; pushes far off the curve through all the others are weighted down.

    Parameters
    ----------
    pushes : Pushes
    warp : Warp
    prior : Smoothness
    outlier : float
        Leave-one-out standardised residual above which a push is weighted down [-].

    Returns
    -------
    Fitted
    """
    level = float(np.median(pushes.value[:8]))
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
        far = z > outlier
        if not far.any():
            break
        extra[far] += (z[far] ** 2 - 1.0) * variance[far]
    return Fitted(pushes, warp, prior, level, extra, evidence, inverse, theta, spread, fitted)


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


def _evaluate(weights: Floats, first: Ints, blend: Floats) -> Floats:
    """Splines with `weights` (path, spline) at times given by `spline_weights`: shape (path, time)."""
    from scipy.sparse import csr_matrix

    rows = np.repeat(np.arange(first.size), 4)
    matrix = csr_matrix(
        (blend.ravel(), (rows, (first[:, None] + np.arange(4)).ravel())), shape=(first.size, weights.shape[1])
    )
    return np.asarray((matrix @ weights.T).T)
