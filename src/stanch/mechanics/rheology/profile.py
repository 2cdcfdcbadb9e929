"""How far G' and phase angle of a push may move before its frames object, where straight lines do not tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.mechanics.joint import NORMAL_95, Solved, in_chunks, relinearised
from stanch.mechanics.records import LOG_OFFSET
from stanch.mechanics.rheology.models import modulus_gradient
from stanch.mechanics.rheology.priors import bounds
from stanch.mechanics.speckle import JointSolution

__all__ = ["Profile", "profile"]

Floats = NDArray[np.float64]

EVALUATIONS, TOLERANCE = 25, 1e-4
"""Of each step towards an end, and of the search for another minimum."""

UNSURE = 2000.0
"""Explained weighted sum of squares below which another minimum is looked for [-]."""


@dataclass(frozen=True)
class Profile:
    """Ends of the 95 % intervals at known speckle, as multiples of those that a straight line gives.

    Parameters
    ----------
    modulus, phase : ndarray, shape (push, 2)
        Lower and upper distance of ln(G' + 10 Pa) and of the phase angle over the linear one [-].
    """

    modulus: Floats
    phase: Floats

    def widened(self, solution: JointSolution) -> JointSolution:
        """A solution, of ln(G' + 10 Pa) first and phase angle fourth, as wide as the wider side."""
        scale = np.ones(solution.own.shape[:2])
        scale[:, 0], scale[:, 3] = np.maximum(self.modulus.max(axis=1), 1.0), np.maximum(self.phase.max(axis=1), 1.0)
        return replace(solution, own=solution.own * scale[:, :, None] * scale[:, None, :])


def profile(search: Any, solved: Solved, frequency: float) -> tuple[Solved, Profile]:
    """Profile of the weighted sum of squares of every push, and the solution, at a deeper minimum where one was met.

    Parameters
    ----------
    search : object
        The fit's search.
    solved : Solved
        Its solution; its work may be changed.
    frequency : float
        At which moduli are stated [Hz].

    Returns
    -------
    tuple of Solved and Profile

    Notes
    -----
    The end of an interval is where the least weighted sum of squares over all other parameters, the prior's share
    included, has risen by 3.84: Venzon & Moolgavkar, Appl Stat 1988;37:87. It does not depend on how the parameters
    are written down, and so holds in the bent valleys of small signals, in which a straight line does not.
    """
    from stanch.mechanics.rheology import profile_kernel

    work, settings = solved.work, search.settings
    pushes, size = work.x.shape
    coefficient, data = work.deviated()
    own = np.ascontiguousarray(solved.solution.own[:, :size, :size])
    low, high = bounds(search.model)
    x = np.clip(work.x, low, high)
    reach, moved = np.full((pushes, 2, 2), np.nan), np.zeros(pushes, dtype=np.bool_)
    unsure = solved.signal < UNSURE
    law, path, library = search.law, search.path_arguments, search.library

    def job(piece: slice) -> None:
        profile_kernel.profile_pushes(
            data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
            coefficient[piece], law, path, work.inflation[piece], library.cells, library.grid, unsure[piece], x[piece],
            own[piece], NORMAL_95, EVALUATIONS, TOLERANCE, reach[piece], moved[piece],
        )  # fmt: skip

    in_chunks(pushes, settings.threads, job)
    if moved.any():
        work.x[moved] = x[moved]
        free = ~np.any(law[5] & ((x <= low) | (x >= high)), axis=1)
        work.status[moved & free] = 0
        solved = relinearised(solved, search, settings)
        own = solved.solution.own[:, :size, :size]
    return solved, Profile(*_multiples(search.model, np.clip(work.x, low, high), own, reach, frequency))


def _multiples(model: str, x: Floats, own: Floats, reach: Floats, frequency: float) -> tuple[Floats, Floats]:
    moduli, slope = modulus_gradient(model, x, frequency)
    storage, loss = moduli[:, 0, None], moduli[:, 1, None]
    modulus = slope[:, 0] / np.maximum(storage + LOG_OFFSET, 0.5)
    phase = (storage * slope[:, 1] - loss * slope[:, 0]) / (storage**2 + loss**2)
    out = []
    for which, turn in enumerate((modulus, phase)):
        sd = np.sqrt(np.maximum(np.einsum("pi,pij,pj->p", turn, own, turn), 1e-300))
        share = reach[:, which] / (NORMAL_95 * sd)[:, None]
        out.append(np.where(np.isfinite(share), share, 1.0))
    return out[0], out[1]
