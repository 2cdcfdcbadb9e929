"""Speckle weighting: random deviations of each speckle realisation, shared by pushes that see the same speckle.

The phase of an echo gives not the beam-weighted mean movement but one weighted by the speckle that happens to be there:
``d = F (D0 + delta_1 D1 + delta_2 D2 + ...)`` with D_k the response weighted across the beam by the k-th Laguerre
polynomial of r^2/w^2. These are orthogonal under the beam, so the deviations are independent, each
``delta_k ~ N(0, tau_p tau_q K_pq)`` over pushes with one and the same tau: K is 1 in a frozen clot, 0 in moving blood.
How each depth of the gate counts deviates likewise, and movement that differs under the beam bends the phase.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "JointSolution",
    "SharedLink",
    "depth_polynomial",
    "joint_solution",
    "link_matrix",
    "prior_sd",
    "shared_link",
]

Floats = NDArray[np.float64]

FEWEST_CELLS = 1.5
"""Speckle cells below which the first-order model says nothing; the prior SD then stays at 1."""

MOST_FACTORS = 64
COMMON = 1.02
"""Pushes' worth of variance in a factor below which it is not common to several pushes."""


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


def depth_polynomial(depth: Floats, sensitivity: Floats, degree: int) -> Floats:
    """Orthonormal polynomial along the gate.

    Parameters
    ----------
    depth : ndarray, shape (depth,)
        Beam positions [m].
    sensitivity : ndarray, shape (push, depth)
        Echo-energy weights of the gate [-].
    degree : int
        [-].

    Returns
    -------
    ndarray, shape (push, depth)
        Of mean square 1, and orthogonal to those of lower degree, under the weights' magnitudes; 1 for degree 0 [-].
    """
    weight = np.abs(sensitivity)
    weight = weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
    found = [np.ones_like(weight)]
    middle, half = 0.5 * (depth[0] + depth[-1]), max(0.5 * float(np.ptp(depth)), 1e-12)
    for _ in range(degree):
        new = found[-1] * ((depth - middle) / half)
        for _ in range(2):
            for old in found:
                new = new - (weight * new * old).sum(axis=1, keepdims=True) * old
        size = np.sqrt((weight * new**2).sum(axis=1, keepdims=True))
        found.append(np.where(size > 1e-9, new / np.maximum(size, 1e-9), 0.0))
    return np.asarray(found[degree])


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
        Symmetric, positive semidefinite, 1 on the diagonal; None stands for the identity [-].
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
class SharedLink:
    """A correlation between pushes as few common factors and what each push has of its own.

    Parameters
    ----------
    loading : ndarray, shape (push, factor)
        [-].
    own : ndarray, shape (push,)
        The correlation is ``loading loading^T + diag(own)`` [-].
    """

    loading: Floats
    own: Floats


def shared_link(link: ArrayLike | None, pushes: int) -> SharedLink:
    """Factors behind the prior correlation of the speckle deviations.

    Parameters
    ----------
    link : array_like, shape (push, push), or None
        As in :func:`link_matrix` [-].
    pushes : int
        [-].

    Returns
    -------
    SharedLink
        Moving blood has no factor and a frozen clot one.

    Notes
    -----
    Up to 64 pushes the correlation is reproduced exactly. Beyond, 64 factors reproduce what many pushes have in
    common; what is left, on the diagonal alone, is how neighbours differ in fast drifting speckle, and carries no
    weight in means over pushes.
    """
    matrix = link_matrix(link, pushes)
    if matrix is None:
        return SharedLink(np.zeros((pushes, 0)), np.ones(pushes))
    if pushes <= MOST_FACTORS:
        value, vector = np.linalg.eigh(matrix)
        keep = value > 1e-12 * pushes
        return SharedLink(vector[:, keep] * np.sqrt(value[keep]), np.zeros(pushes))
    basis = np.random.default_rng(0).standard_normal((pushes, MOST_FACTORS))
    for _ in range(2):
        basis = np.linalg.qr(matrix @ basis)[0]
    image = matrix @ basis
    value, vector = np.linalg.eigh(basis.T @ image)
    keep = value > 1e-9 * pushes
    # Nystroem's form, which leaves a positive semidefinite rest.
    wide = image @ (vector[:, keep] / np.sqrt(value[keep]))
    value, vector = np.linalg.eigh(wide.T @ wide)
    loading = wide @ vector[:, value > COMMON]
    return SharedLink(loading, np.maximum(1.0 - (loading**2).sum(axis=1), 0.0))


@dataclass(frozen=True)
class JointSolution:
    """Speckle deviations and local parameters of all pushes.

    Parameters
    ----------
    delta : ndarray, shape (push, order)
        Posterior mean of the speckle deviations [-].
    step : ndarray, shape (push, local)
        Step of the local parameters, for Kelvin-Voigt (y, ln eta, ln F), to the joint solution [-].
    own : ndarray, shape (push, local, local)
        Their covariance at known speckle [-].
    slope : ndarray, shape (push, local, order)
        Their change per unit of the speckle deviations [-].
    fresh : ndarray, shape (push, order, order)
        Posterior covariance of the deviations that a push shares with no other [-].
    root : ndarray, shape (push, order, factor)
        A square root of the rest: the covariance of the deviations of two pushes is ``root_p root_q^T``; empty where it
        was not asked for [-].
    """

    delta: Floats
    step: Floats
    own: Floats
    slope: Floats
    fresh: Floats
    root: Floats

    @property
    def delta_sd(self) -> Floats:
        """Posterior standard deviation of the speckle deviations, shape (push, order) [-]."""
        variance = np.einsum("pkk->pk", self.fresh) + (self.root**2).sum(axis=2)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def variance(self, index: int) -> Floats:
        """Posterior variance of local parameter `index` of every push [-]."""
        return np.asarray(self._alone(index) + (self._carried(index) ** 2).sum(axis=1))

    def alone(self) -> Floats:
        """Posterior covariance of the local parameters of every push by itself, shape (push, local, local) [-]."""
        total = self.own + np.einsum("pik,pkl,pjl->pij", self.slope, self.fresh, self.slope)
        carried = np.einsum("pik,pkf->pif", self.slope, self.root)
        return np.asarray(total + np.einsum("pif,pjf->pij", carried, carried))

    def turned(self, matrix: Floats) -> JointSolution:
        """The same about other local parameters, `matrix` their derivatives, shape (push, new, local) [-]."""
        return replace(
            self,
            step=np.einsum("pij,pj->pi", matrix, self.step),
            own=np.einsum("pij,pjk,plk->pil", matrix, self.own, matrix),
            slope=np.einsum("pij,pjk->pik", matrix, self.slope),
        )

    def covariance(self, index: int) -> Floats:
        """Posterior covariance between pushes of local parameter `index` [-]."""
        carried = self._carried(index)
        matrix = carried @ carried.T
        matrix[np.diag_indices_from(matrix)] += self._alone(index)
        return np.asarray(matrix)

    def cross(self, index: int, other: int) -> Floats:
        """Posterior covariance of parameter `index` of one push with `other` of another, shape (push, push) [-]."""
        matrix = self._carried(index) @ self._carried(other).T
        mixed = np.einsum("pk,pkl,pl->p", self.slope[:, index], self.fresh, self.slope[:, other])
        matrix[np.diag_indices_from(matrix)] += self.own[:, index, other] + mixed
        return np.asarray(matrix)

    def _alone(self, index: int) -> Floats:
        g = self.slope[:, index]
        return np.asarray(self.own[:, index, index] + np.einsum("pk,pkl,pl->p", g, self.fresh, g))

    def _carried(self, index: int) -> Floats:
        return np.asarray(np.einsum("pk,pkf->pf", self.slope[:, index], self.root))


def joint_solution(
    information: Floats, gradient: Floats, delta: Floats, tau: Floats, link: SharedLink, *, spread: bool = True
) -> JointSolution:
    """One Gauss-Newton step of all pushes together.

    Parameters
    ----------
    information : ndarray, shape (push, local + order, local + order)
        Of the local parameters, ln F the last of them, and the deviations of each push from its own frames [-].
    gradient : ndarray, shape (push, local + order)
        Derivative times whitened residual [-].
    delta : ndarray, shape (push, order)
        Speckle deviations at which they were taken [-].
    tau : ndarray, shape (push,)
        Prior standard deviation, of every order [-].
    link : SharedLink
        Prior correlation, the same for every order.
    spread : bool
        Whether covariances between pushes are wanted; without, those of the shared deviations are left out.

    Returns
    -------
    JointSolution

    Notes
    -----
    Each push's own parameters are eliminated by Schur complement; a push then says ``W delta = b`` about its
    deviations. With ``delta_p = tau_p (loading_p z) + e_p`` the part e_p that it shares with no other push is
    eliminated next, and what is left is one system in z, of order times factor unknowns: two for a frozen well.
    """
    n, orders = delta.shape
    size = information.shape[1] - orders
    local, mixed = information[:, :size, :size], information[:, :size, size:]
    own = _inverse(local)
    slope = -own @ mixed
    ahead = np.einsum("pij,pj->pi", own, gradient[:, :size])
    carried = np.swapaxes(slope, 1, 2)
    precision = information[:, size:, size:] + carried @ mixed
    pull = gradient[:, size:] + np.einsum("pki,pi->pk", carried, gradient[:, :size])
    pull = pull + np.einsum("pkl,pl->pk", precision, delta)
    unshared = tau**2 * link.own
    shrink: Floats = np.asarray(np.linalg.inv(np.eye(orders) + unshared[:, None, None] * precision), dtype=np.float64)
    fresh = unshared[:, None, None] * shrink
    new = np.einsum("pkl,pl->pk", fresh, pull)
    root = np.zeros((n, orders, 0))
    if orders and link.loading.shape[1]:
        shared, root = _shared(
            precision @ shrink, np.einsum("pkl,pl->pk", shrink, pull), tau, link.loading, shrink, spread
        )
        new = new + shared
    step = ahead + np.einsum("pik,pk->pi", slope, new - delta)
    return JointSolution(new, step, own, slope, fresh, root)


def _shared(
    precision: Floats, pull: Floats, tau: Floats, loading: Floats, shrink: Floats, spread: bool
) -> tuple[Floats, Floats]:
    """Posterior mean of the shared part of the deviations, and a root of its covariance where that is wanted."""
    from scipy.linalg import cholesky, solve_triangular

    n, orders = pull.shape
    factors = loading.shape[1]
    scaled = tau[:, None] * loading
    blocks = np.empty((orders, factors, orders, factors))
    for k in range(orders):
        for j in range(k + 1):
            block = scaled.T @ (precision[:, k, j, None] * scaled)
            blocks[k, :, j, :] = block
            blocks[j, :, k, :] = block.T
    system = blocks.reshape(orders * factors, orders * factors)
    system[np.diag_indices_from(system)] += 1.0
    factor = cholesky(system, lower=True, overwrite_a=True, check_finite=False)
    right = (pull.T @ scaled).ravel()
    half = solve_triangular(factor, right, lower=True, check_finite=False)
    z = solve_triangular(factor, half, lower=True, trans=1, check_finite=False).reshape(orders, factors)
    mean = np.einsum("pkl,pl->pk", shrink, scaled @ z.T)
    if not spread:
        return mean, np.zeros((n, orders, 0))
    wide = (shrink[:, :, :, None] * scaled[:, None, None, :]).reshape(n * orders, orders * factors)
    root = solve_triangular(factor, wide.T, lower=True, check_finite=False).T
    return mean, np.ascontiguousarray(root).reshape(n, orders, orders * factors)


def _inverse(matrices: Floats) -> Floats:
    """Inverse of small positive definite matrices, scaled to unit diagonal first."""
    scale = np.sqrt(np.maximum(np.einsum("pii->pi", matrices), 1e-60))
    scaled = matrices / scale[:, :, None] / scale[:, None, :]
    size = matrices.shape[-1]
    scaled = scaled + 1e-14 * np.eye(size)
    return np.asarray(np.linalg.inv(scaled) / scale[:, :, None] / scale[:, None, :])
