"""How far the sums of squares of a crossed design scatter, exactly, without a matrix of all results."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.verify.precision.factors import Cells

__all__ = ["covariance_of_squares"]

Floats = NDArray[np.float64]
A, B, AB, E = range(4)


def covariance_of_squares(cells: Cells, components: Floats, error_df: int) -> Floats:
    """Covariance of Henderson's four sums of squares for normal data with these components.

    Parameters
    ----------
    cells : Cells
    components : ndarray, shape (4,)
        Of the first factor, the second, the interaction and the error [unit] squared.
    error_df : int
        Degrees of freedom within the combinations [-].

    Returns
    -------
    ndarray, shape (4, 4)
        [unit] to the fourth power.

    Notes
    -----
    On the means of combinations the sums of squares are quadratic forms whose matrices and whose covariance have rank
    one per group; each trace is a sum over combinations or groups. Only the overlap of all pairs of groups of the
    smaller factor needs a matrix.
    """
    traces = _traces(cells)
    t = np.zeros((4, 4))  # mean, a, b, ab
    for (i, j), by_component in traces.items():
        t[i, j] = t[j, i] = 2 * float(components @ by_component @ components)
    step = np.array([[-1.0, 1, 0, 0], [-1, 0, 1, 0], [1, -1, -1, 1]])
    full = np.zeros((4, 4))
    full[:3, :3] = step @ t @ step.T
    full[3, 3] = 2 * error_df * components[E] ** 2
    return full


def _traces(cells: Cells) -> dict[tuple[int, int], Floats]:
    """tr(B_i S_k B_j S_l) for projectors i, j in (mean, a, b, ab) and components k, l."""
    n = cells.n.astype(np.float64)
    n_a, n_b = cells.n_a.astype(np.float64), cells.n_b.astype(np.float64)
    own = (n_a[cells.a], n_b[cells.b])
    rows = float(n.sum())
    size = (n_a.size, n_b.size)
    place = (cells.a, cells.b)
    square = n * n
    found: dict[tuple[int, int], Floats] = {}

    def over(side: int, by_cell: Floats) -> Floats:
        return np.asarray(np.bincount(place[side], by_cell, size[side]), dtype=np.float64)

    # The grand mean: what each component makes of a vector of ones, as a value per combination.
    spread = [own[0], own[1], n, np.ones_like(n)]
    found[0, 0] = np.array([[float(n @ x) * float(n @ y) for y in spread] for x in spread]) / rows**2
    for side in (A, B):
        means = [over(side, n * x) for x in spread]
        groups = (n_a, n_b)[side]
        found[0, side + 1] = np.array([[float(np.sum(x * y / groups)) for y in means] for x in means]) / rows
    found[0, 3] = np.array([[float(np.sum(n * x * y)) for y in spread] for x in spread]) / rows
    for side in (A, B):
        other = B if side == A else A
        groups = (n_a, n_b)[side]
        inner = over(side, square) / groups
        overlap = _overlap(cells, side)
        diagonal = {side: groups, other: inner, AB: inner, E: np.ones_like(groups)}
        found[side + 1, side + 1] = np.array(
            [[overlap if k == m == other else float(diagonal[k] @ diagonal[m]) for m in range(4)] for k in range(4)]
        )
        # Single combinations against one factor: diagonal blocks of the product of both covariances.
        chain = np.empty((4, 4))
        cube = float(np.sum(n**3 / own[side]))
        chain[side, side] = float(groups @ groups)
        chain[side, other] = chain[side, AB] = float(square.sum())
        chain[side, E] = rows
        chain[other, other] = float(np.sum(n * own[other] * n / own[side]))
        chain[other, AB] = chain[AB, AB] = cube
        chain[other, E] = chain[AB, E] = float(np.sum(square / own[side]))
        chain[E, E] = float(groups.size)
        found[side + 1, 3] = _mirrored(chain, (side, other, AB, E))
    # One factor against the other, combination by combination.
    root = np.sqrt(own[0] * own[1])
    link = [n * own[0] / root, n * own[1] / root, square / root, n / root]
    found[1, 2] = np.array([[float(x @ y) for y in link] for x in link])
    both = float(square.sum())
    found[3, 3] = np.array(
        [
            [float(n_a @ n_a), both, both, rows],
            [both, float(n_b @ n_b), both, rows],
            [both, both, both, rows],
            [rows, rows, rows, float(n.size)],
        ]
    )
    return found


def _mirrored(chain: Floats, order: tuple[int, ...]) -> Floats:
    """Fill the half below the diagonal in this order of components."""
    for i, k in enumerate(order):
        for m in order[i + 1 :]:
            chain[m, k] = chain[k, m]
    return chain


def _overlap(cells: Cells, side: int) -> float:
    """Squared size of the product of one factor's projector with the other's covariance, in the smaller dimension."""
    from scipy import sparse

    weight = cells.n / np.sqrt((cells.n_a[cells.a], cells.n_b[cells.b])[side])
    rows, columns = (cells.a, cells.b) if cells.n_b.size <= cells.n_a.size else (cells.b, cells.a)
    table = sparse.csr_matrix((weight, (rows, columns)))
    turned = table.T.tocsr()
    total = 0.0
    # In strips, so that the memory does not grow with the square of the smaller factor.
    for start in range(0, turned.shape[0], 1000):
        strip = turned[start : start + 1000] @ table
        total += float(np.sum(strip.data**2))
    return total
