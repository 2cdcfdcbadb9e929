"""How well each model of the medium explains the same frames, and what difference the choice makes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.mechanics.joint import Solved

__all__ = ["log_evidence"]

Floats = NDArray[np.float64]


def log_evidence(search: Any, solved: Solved) -> Floats:
    """Natural logarithm of the marginal likelihood of every push, by Laplace's approximation.

    Parameters
    ----------
    search : object
        The fit's search, with the likelihood of its last linearisation.
    solved : Solved
        Its solution.

    Returns
    -------
    ndarray, shape (push,)
        Over the parameters, the force and the push's own speckle deviations, each with its prior [-].
    """
    work, lines = solved.work, solved.lines
    size = work.x.shape[1]
    orders = work.delta.shape[1]
    mean, sd = search.priors.of(search.model)
    median, spread = search.priors.force
    matrix, gradient = lines.information.copy(), lines.gradient.copy()
    total: Floats = search.likelihood.copy()
    # What the search has already added of the prior comes out, so that every model is treated alike.
    precision = search.law[2]
    gradient[:, :size] += precision * (search.at - mean) - (search.at - mean) / sd**2
    matrix[:, range(size), range(size)] += sd**-2 - precision
    total -= 0.5 * (((search.at - mean) / sd) ** 2).sum(axis=1) + np.log(sd).sum()
    away = np.log(np.maximum(lines.force, 1e-300) / median)
    matrix[:, size, size] += spread**-2
    gradient[:, size] -= away / spread**2
    total -= 0.5 * (away / spread) ** 2 + math.log(spread)
    if orders:
        tau = np.maximum(work.tau, 1e-12)
        at = range(size + 1, size + 1 + orders)
        matrix[:, at, at] += (tau**-2)[:, None]
        gradient[:, size + 1 :] -= search.delta / tau[:, None] ** 2
        total -= 0.5 * ((search.delta / tau[:, None]) ** 2).sum(axis=1) + orders * np.log(tau)
    scale = np.sqrt(np.maximum(np.einsum("pii->pi", matrix), 1e-300))
    scaled = matrix / scale[:, :, None] / scale[:, None, :]
    reach = np.linalg.solve(scaled, (gradient / scale)[:, :, None])[:, :, 0]
    total += 0.5 * np.einsum("pi,pi->p", reach, gradient / scale)
    return np.asarray(total - 0.5 * np.linalg.slogdet(scaled)[1] - np.log(scale).sum(axis=1))
