"""Speckle weighting: one random deviation per speckle realisation, shared by pushes that see the same speckle.

The phase of an echo gives not the beam-weighted mean movement but one weighted by the speckle that happens to be there.
To first order ``d = F (D0 + delta D1)`` with D_k the response weighted across the beam by the k-th Laguerre polynomial
of r^2/w^2, and ``delta ~ N(0, tau_p tau_q K_pq)`` over pushes: K is 1 in a frozen clot, 0 in moving blood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["JointSolution", "joint_solution", "link_matrix", "prior_sd"]

Floats = NDArray[np.float64]

FEWEST_CELLS = 1.5
"""Speckle cells below which the first-order model says nothing; the prior SD then stays at 1."""


def prior_sd(speckle_cells: ArrayLike) -> Floats:
    """Prior standard deviation of the speckle deviation.

    Parameters
    ----------
    speckle_cells : array_like, shape (push,)
        Effective number M of independent speckle cells in the gate; infinite means no speckle term [-].

    Returns
    -------
    ndarray, shape (push,)
        ``sqrt(1/(2 (M - 1)))`` [-].

    Examples
    --------
    >>> prior_sd([3.0, float("inf")]).tolist()
    [0.5, 0.0]
    """
    cells = np.maximum(np.asarray(speckle_cells, dtype=float), FEWEST_CELLS)
    return np.asarray(np.sqrt(0.5 / (cells - 1.0)))


def link_matrix(link: ArrayLike | None, pushes: int) -> Floats | None:
    """A correlation matrix from squared coherences, which estimation noise may have made indefinite.

    Parameters
    ----------
    link : array_like, shape (push, push), or None
        Squared coherence of the pre-push lines of two pushes [-]; what is not finite counts as 0.
    pushes : int
        [-].

    Returns
    -------
    ndarray, shape (push, push), or None
        Symmetric, positive semidefinite, 1 on the diagonal; None stands for the identity.
    """
    if link is None:
        return None
    matrix = np.nan_to_num(np.asarray(link, dtype=float), nan=0.0, posinf=0.0, neginf=0.0)
    matrix = np.clip(0.5 * (matrix + matrix.T), -1.0, 1.0)
    np.fill_diagonal(matrix, 1.0)
    if not np.any(matrix[~np.eye(pushes, dtype=bool)]):
        return None
    try:
        np.linalg.cholesky(matrix + 1e-9 * np.eye(pushes))
    except np.linalg.LinAlgError:
        value, vector = np.linalg.eigh(matrix)
        root = vector * np.sqrt(np.maximum(value, 0.0))
        root /= np.maximum(np.sqrt((root**2).sum(axis=1, keepdims=True)), 1e-12)
        matrix = root @ root.T
        np.fill_diagonal(matrix, 1.0)
    return np.asarray(matrix)


@dataclass(frozen=True)
class JointSolution:
    """Speckle deviations and local parameters of all pushes.

    Parameters
    ----------
    delta : ndarray, shape (push,)
        Posterior mean of the speckle deviation [-].
    delta_covariance : ndarray, shape (push, push) or (push,)
        Its posterior covariance; the diagonal alone where pushes share no speckle [-].
    step : ndarray, shape (push, 3)
        Step of (y, ln eta, ln F) to the joint solution [-].
    own : ndarray, shape (push, 3, 3)
        Covariance of (y, ln eta, ln F) at known speckle [-].
    slope : ndarray, shape (push, 3)
        Change of (y, ln eta, ln F) per unit of the speckle deviation [-].
    """

    delta: Floats
    delta_covariance: Floats
    step: Floats
    own: Floats
    slope: Floats

    def variance(self, index: int) -> Floats:
        """Posterior variance of local parameter `index` of every push [-]."""
        spread = self.delta_covariance if self.delta_covariance.ndim == 1 else np.diagonal(self.delta_covariance)
        return np.asarray(self.own[:, index, index] + self.slope[:, index] ** 2 * spread)

    def covariance(self, index: int) -> Floats:
        """Posterior covariance between pushes of local parameter `index` [-]."""
        if self.delta_covariance.ndim == 1:
            return np.diag(self.variance(index))
        g = self.slope[:, index]
        matrix = g[:, None] * self.delta_covariance * g[None, :]
        matrix[np.diag_indices_from(matrix)] += self.own[:, index, index]
        return np.asarray(matrix)


def joint_solution(
    information: Floats, gradient: Floats, delta: Floats, tau: Floats, link: Floats | None, *, spread: bool = True
) -> JointSolution:
    """One Gauss-Newton step of all pushes together.

    Parameters
    ----------
    information : ndarray, shape (push, 4, 4)
        Of (y, ln eta, ln F, delta) of each push from its own frames [-].
    gradient : ndarray, shape (push, 4)
        Derivative times whitened residual [-].
    delta : ndarray, shape (push,)
        Speckle deviation at which they were taken [-].
    tau : ndarray, shape (push,)
        Prior standard deviation [-].
    link : ndarray, shape (push, push), or None
        Prior correlation, from :func:`link_matrix`.
    spread : bool
        Whether the covariance of the deviations is wanted; it costs four times the step itself.

    Returns
    -------
    JointSolution

    Notes
    -----
    Each push's own three parameters are eliminated by Schur complement; a push then says ``delta = m`` with precision
    a. With C the prior covariance and s = sqrt(a) the posterior is ``C s (I + s C s)^-1 s m``, which never inverts C
    and so holds for a frozen well, where C has rank one.
    """
    local, mixed = information[:, :3, :3], information[:, :3, 3]
    own = _inverse(local)
    slope = -np.einsum("pij,pj->pi", own, mixed)
    ahead = np.einsum("pij,pj->pi", own, gradient[:, :3])
    precision = np.maximum(information[:, 3, 3] + np.einsum("pi,pi->p", slope, mixed), 0.0)
    pull = gradient[:, 3] + np.einsum("pi,pi->p", slope, gradient[:, :3]) + precision * delta
    if link is None:
        variance = tau**2 / (1.0 + precision * tau**2)
        new, covariance = variance * pull, variance
    else:
        new, covariance = _shared(precision, pull, tau, link, spread)
    step = ahead + slope * (new - delta)[:, None]
    return JointSolution(new, covariance, step, own, slope)


def _shared(precision: Floats, pull: Floats, tau: Floats, link: Floats, spread: bool) -> tuple[Floats, Floats]:
    """Posterior mean and covariance of the deviations, the covariance zero where it is not wanted."""
    from scipy.linalg import cholesky, solve_triangular

    root = np.sqrt(precision)
    prior = tau[:, None] * link * tau[None, :]
    inner = root[:, None] * prior * root[None, :]
    inner[np.diag_indices_from(inner)] += 1.0
    factor = cholesky(inner, lower=True, overwrite_a=True, check_finite=False)
    pulled = prior @ pull
    if not spread:
        half = solve_triangular(factor, root * pulled, lower=True, check_finite=False)
        half = solve_triangular(factor, half, lower=True, trans=1, check_finite=False)
        return np.asarray(pulled - prior @ (root * half)), np.zeros(tau.size)
    wide = solve_triangular(factor, root[:, None] * prior, lower=True, check_finite=False)
    covariance = prior - wide.T @ wide
    return np.asarray(
        pulled - wide.T @ solve_triangular(factor, root * pulled, lower=True, check_finite=False)
    ), 0.5 * (covariance + covariance.T)


def _inverse(matrices: Floats) -> Floats:
    """Inverse of small positive definite matrices, scaled to unit diagonal first."""
    scale = np.sqrt(np.maximum(np.einsum("pii->pi", matrices), 1e-60))
    scaled = matrices / scale[:, :, None] / scale[:, None, :]
    size = matrices.shape[-1]
    scaled = scaled + 1e-14 * np.eye(size)
    return np.asarray(np.linalg.inv(scaled) / scale[:, :, None] / scale[:, None, :])
