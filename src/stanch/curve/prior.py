"""Smoothness of the curve: third differences of the spline weights, their size learned along clot age.

With weights a, the prior is ``D a ~ N(mean, diag(s^2))``: D takes third differences, and its first three rows hold the
starting level and slope loosely. ``ln s`` is piecewise linear in the age coordinate between a few control points whose
values theta have a random-walk prior; theta is fitted to the marginal likelihood and mixed over its posterior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Evidence", "Smoothness", "Weights", "fit_smoothness", "solve"]

Floats = NDArray[np.float64]

SMALLEST = -12.0
"""Least ln s: a curve this smooth is a straight relaxation, and the algebra stays well conditioned [-]."""


@dataclass(frozen=True)
class Evidence:
    """What the pushes say about the spline weights.

    Parameters
    ----------
    gain : ndarray, shape (push, spline)
        Whitened design: spline values divided by the Cholesky factor of the noise covariance [-].
    value : ndarray, shape (push,)
        Whitened observations, the level taken off [-].
    precision : ndarray, shape (spline, spline)
        ``gain.T @ gain`` [-].
    score : ndarray, shape (spline,)
        ``gain.T @ value`` [-].
    """

    gain: Floats
    value: Floats
    precision: Floats
    score: Floats


@dataclass(frozen=True)
class Smoothness:
    """The prior of one well, before its hyperparameters are known.

    Parameters
    ----------
    difference : ndarray, shape (spline, spline)
        D above [-].
    blend : ndarray, shape (spline, control)
        How ln s depends on theta [-].
    offset : ndarray, shape (spline,)
        Fixed part of ln s [-].
    centre : ndarray, shape (control,)
        Prior mean of theta [-].
    penalty : ndarray, shape (control, control)
        Prior precision of theta [-].
    """

    difference: Floats
    blend: Floats
    offset: Floats
    centre: Floats
    penalty: Floats

    @classmethod
    def build(
        cls, age: Floats, controls: Floats, *, order: int, memory: float, level: float, level_sd: float, drift_sd: float
    ) -> Smoothness:
        """Prior for splines centred at `age`, with control points at `controls` (both in the age coordinate [-])."""
        size = age.size
        rows = np.diff(np.eye(size), axis=0)
        keep = float(np.exp(-1.0 / memory))
        for _ in range(order - 1):
            rows = rows[1:] - keep * rows[:-1]
        difference = np.zeros((size, size))
        difference[order:] = rows
        start = np.eye(order, size)
        for k in range(order):
            row = np.eye(size)[: k + 1]
            for _ in range(k):
                row = np.diff(row, axis=0)
            start[k] = row[0]
        difference[:order] = start
        blend = np.zeros((size, controls.size))
        where = np.concatenate((np.full(order, age[0]), age[order // 2 : order // 2 + size - order]))
        for k in range(controls.size):
            unit = np.zeros(controls.size)
            unit[k] = 1.0
            blend[order:, k] = np.interp(where[order:], controls, unit)
        offset = np.zeros(size)
        offset[:order] = np.log((2.0, 0.3, 0.1)[:order])
        steps = np.diff(np.eye(controls.size), axis=0)
        penalty = steps.T @ steps / drift_sd**2 + np.eye(controls.size) / (level_sd**2 * controls.size)
        return cls(difference, blend, offset, np.full(controls.size, level), penalty)

    def log_sd(self, theta: Floats) -> Floats:
        """ln s [-]."""
        return np.asarray(np.maximum(self.offset + self.blend @ theta, SMALLEST))


@dataclass(frozen=True)
class Weights:
    """Posterior of the spline weights for given hyperparameters.

    Parameters
    ----------
    mean : ndarray, shape (spline,)
        [-].
    root : ndarray, shape (spline, spline)
        R with covariance ``R R^T`` [-].
    log_evidence : float
        Log marginal likelihood, prior of theta included, up to a constant [-].
    """

    mean: Floats
    root: Floats
    log_evidence: float


def solve(evidence: Evidence, prior: Smoothness, theta: Floats) -> Weights:
    """Condition the weights on the pushes, for hyperparameters `theta` [-]."""
    scaled = prior.difference * np.exp(-prior.log_sd(theta))[:, None]
    lower = np.linalg.cholesky(evidence.precision + scaled.T @ scaled)
    root = np.linalg.inv(lower).T
    half = root.T @ evidence.score
    mean = root @ half
    away = theta - prior.centre
    log_evidence = (
        -float(prior.log_sd(theta).sum())
        - float(np.log(np.diag(lower)).sum())
        + 0.5 * float(half @ half)
        - 0.5 * float(away @ prior.penalty @ away)
    )
    return Weights(mean, root, log_evidence)


def fit_smoothness(
    evidence: Evidence, prior: Smoothness, theta: Floats, *, rounds: int = 25, tolerance: float = 0.02
) -> tuple[Floats, Floats]:
    """Posterior mode of theta by Fisher scoring, and its covariance.

    Returns
    -------
    theta : ndarray, shape (control,)
        [-].
    covariance : ndarray, shape (control, control)
        [-].
    """
    best = solve(evidence, prior, theta)
    information = prior.penalty
    for _ in range(rounds):
        inverse_sd = np.exp(-prior.log_sd(theta))
        standard = (prior.difference * inverse_sd[:, None]) @ best.root
        learned = np.eye(inverse_sd.size) - standard @ standard.T
        wanted = inverse_sd * (prior.difference @ best.mean)
        gradient = prior.blend.T @ (wanted**2 - np.diag(learned)) - prior.penalty @ (theta - prior.centre)
        information = 2.0 * prior.blend.T @ (learned**2) @ prior.blend + prior.penalty
        step = np.linalg.solve(information, gradient)
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        for _ in range(6):
            trial = solve(evidence, prior, theta + step)
            if trial.log_evidence >= best.log_evidence - 1e-9:
                break
            step = 0.4 * step
        else:
            break
        theta, best = theta + step, trial
        if float(np.abs(step).max()) < tolerance:
            break
    return theta, np.asarray(np.linalg.inv(information), dtype=np.float64)
