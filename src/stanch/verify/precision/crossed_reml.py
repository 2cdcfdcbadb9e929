"""Residual maximum likelihood of two crossed factors: the larger one eliminated, the smaller one solved densely."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stanch.verify.precision.factors import Cells

__all__ = ["LARGEST", "crossed_reml", "residual_deviance"]

Floats = NDArray[np.float64]
# Groups of the smaller factor up to which the dense solution stays within seconds and a few tens of megabytes.
LARGEST = 1000


def residual_deviance(ratios: Floats, within: float, cell_mean: Floats, cells: Cells) -> tuple[float, float]:
    """Minus twice the residual log likelihood, the error variance profiled out.

    Parameters
    ----------
    ratios : ndarray, shape (3,)
        Components of the first factor, the second and the interaction over the error variance [-].
    within : float
        Sum of squares within the combinations [unit] squared.
    cell_mean : ndarray, shape (cell,)
        About the mean of all results [unit].
    cells : Cells

    Returns
    -------
    deviance : float
        Up to a constant [-].
    error : float
        Error variance at these ratios [unit] squared.
    """
    from scipy import linalg

    first_is_larger = cells.n_a.size >= cells.n_b.size
    big, small = (cells.a, cells.b) if first_is_larger else (cells.b, cells.a)
    r_big, r_small = (ratios[0], ratios[1]) if first_is_larger else (ratios[1], ratios[0])
    sizes = (max(cells.n_a.size, cells.n_b.size), min(cells.n_a.size, cells.n_b.size))
    n = cells.n.astype(np.float64)
    weight = n / (1 + ratios[2] * n)
    root_big, root_small = math.sqrt(r_big), math.sqrt(r_small)
    diagonal = 1 + r_big * np.bincount(big, weight, sizes[0])
    schur = np.diag(1 + r_small * np.bincount(small, weight, sizes[1]))
    right = np.column_stack([np.ones_like(n), cell_mean]) * weight[:, None]
    of_big = root_big * np.column_stack([np.bincount(big, c, sizes[0]) for c in right.T])
    of_small = root_small * np.column_stack([np.bincount(small, c, sizes[1]) for c in right.T])
    coupling = root_big * root_small * weight
    if r_big > 0 and r_small > 0:
        schur -= _gram(big, small, coupling / np.sqrt(diagonal[big]), sizes)
        scaled = of_big / diagonal[:, None]
        for k in range(2):
            of_small[:, k] -= np.bincount(small, coupling * scaled[big, k], sizes[1])
    factor = linalg.cho_factor(schur, lower=True)
    solved = linalg.cho_solve(factor, of_small)
    values = np.column_stack([np.ones_like(n), cell_mean])
    # Forms of the inverse covariance: weighted products less what the two factors take up.
    forms = values.T @ right - of_big.T @ (of_big / diagonal[:, None]) - of_small.T @ solved
    log_det = float(np.sum(np.log1p(ratios[2] * n)) + np.sum(np.log(diagonal)) + 2 * np.sum(np.log(np.diag(factor[0]))))
    spread = within + float(forms[1, 1] - forms[0, 1] ** 2 / forms[0, 0])
    free = cells.rows - 1
    return log_det + math.log(float(forms[0, 0])) + free * math.log(spread), spread / free


def _gram(big: NDArray[np.intp], small: NDArray[np.intp], values: Floats, sizes: tuple[int, int]) -> Floats:
    from scipy import sparse

    table = sparse.csr_matrix((values, (big, small)), shape=sizes)
    if values.size > 0.1 * sizes[0] * sizes[1]:
        total = np.zeros((sizes[1], sizes[1]))
        strip = max(1, 4_000_000 // sizes[1])
        for start in range(0, sizes[0], strip):
            dense = table[start : start + strip].toarray()
            total += dense.T @ dense
        return total
    return np.asarray((table.T @ table).toarray(), dtype=np.float64)


def crossed_reml(cells: Cells, cell_mean: Floats, within: float, start: Floats, interaction: bool) -> tuple[float, ...]:
    """Components that maximise the residual likelihood, none below zero.

    Parameters
    ----------
    cells : Cells
    cell_mean : ndarray, shape (cell,)
        About the mean of all results [unit].
    within : float
        Sum of squares within the combinations [unit] squared.
    start : ndarray, shape (component,)
        First guess, error last [unit] squared.
    interaction : bool
        Whether it is a component of its own.

    Returns
    -------
    tuple of float
        In the order of `start` [unit] squared.
    """
    from scipy import optimize

    count = 3 if interaction else 2

    def objective(root: Floats) -> float:
        ratios = np.zeros(3)
        ratios[:count] = root * root
        return residual_deviance(ratios, within, cell_mean, cells)[0]

    guess = np.sqrt(np.maximum(start[:-1] / max(float(start[-1]), 1e-300), 1e-2))
    found = optimize.minimize(
        objective,
        guess,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * count,
        options={"ftol": 1e-14 if cells.n.size <= 20_000 else 1e-11, "gtol": 1e-7, "maxiter": 100},
    )
    best = np.asarray(found.x, dtype=np.float64)
    if cells.n.size <= 20_000:
        # Numerical slopes stop early; a simplex from there settles the last digits where an evaluation is cheap.
        simplex = optimize.minimize(
            objective, best, method="Nelder-Mead", bounds=[(0.0, None)] * count, options={"xatol": 1e-7, "fatol": 1e-11}
        )
        best = np.asarray(simplex.x if simplex.fun <= found.fun else best, dtype=np.float64)
    for k in range(count):
        trial = best.copy()
        trial[k] = 0.0
        if objective(trial) <= objective(best):
            best = trial
    ratios = np.zeros(3)
    ratios[:count] = best * best
    _, error = residual_deviance(ratios, within, cell_mean, cells)
    return (*(float(r) * error for r in ratios[:count]), error)
