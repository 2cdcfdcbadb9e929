"""How well each model of the medium explains the same frames: marginal likelihoods, push by push and over a run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.mechanics.joint import Solved
from stanch.mechanics.speckle import link_matrix

__all__ = ["RunEvidence", "log_evidence", "over_run"]

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


@dataclass(frozen=True)
class RunEvidence:
    """How strongly a run speaks for one model against the others.

    Parameters
    ----------
    model : str
        The one with the highest evidence.
    rival : str
        The next.
    log_factor : float
        Sum over pushes of the difference of their log evidences: the natural logarithm of the Bayes factor if no push
        shared an error with another [-].
    cautious : float
        The same with as many pushes as are independent by their speckle [-].
    independent : float
        That number [-].
    pushes : int
        Pushes compared [-].
    probability : dict of str to float
        Of every model by `cautious`, if all were equally likely before [-].
    """

    model: str
    rival: str
    log_factor: float
    cautious: float
    independent: float
    pushes: int
    probability: dict[str, float]

    @property
    def words(self) -> str:
        """One sentence with the numbers, no scale of adjectives."""
        return (
            f"{self.model} explains {self.pushes} pushes better than {self.rival} by a log factor of "
            f"{self.log_factor:.3g} ({self.cautious:.3g} counting the {self.independent:.3g} pushes whose speckle is "
            f"independent); of the models compared its probability is {self.probability[self.model]:.3g} if all were "
            "equally likely before."
        )


def over_run(evidence: Mapping[str, ArrayLike], link: ArrayLike | None = None) -> RunEvidence:
    """Evidence of all pushes together.

    Parameters
    ----------
    evidence : mapping of str to array_like, shape (push,)
        Log evidence of every push by each of two or more models, of the same frames [-]; pushes that are not finite for
        all models are left out.
    link : array_like, shape (push, push), optional
        Squared coherence of the pre-push lines of two pushes [-]; independent speckle if not given.

    Returns
    -------
    RunEvidence

    Raises
    ------
    InputError
        If there are fewer than two models or no push has all evidences.

    Notes
    -----
    Each push integrates over speckle deviations of its own. In a set clot all pushes see one and the same speckle, and
    what the model of it misses is the same in each: the plain sum then counts one error as often as there are pushes.
    `cautious` multiplies the mean over pushes by ``n^2/sum(link)``: n for moving blood, 1 for a frozen clot.
    """
    if len(evidence) < 2:
        raise InputError("models compared", got=list(evidence), allowed="two or more")
    names = list(evidence)
    table = np.array([np.asarray(evidence[name], dtype=float) for name in names])
    good = np.isfinite(table).all(axis=0)
    if not good.any():
        raise InputError("log evidence", got="no push with all models", allowed="at least one push")
    count = int(good.sum())
    full = link_matrix(link, table.shape[1])
    independent = float(count) if full is None else count**2 / float(full[np.ix_(good, good)].sum())
    total = table[:, good].sum(axis=1)
    rank = np.argsort(-total)
    share = independent / count
    weight = np.exp(np.maximum((total - total[rank[0]]) * share, -700.0))
    weight /= weight.sum()
    factor = float(total[rank[0]] - total[rank[1]])
    return RunEvidence(
        names[rank[0]], names[rank[1]], factor, factor * share, independent, count, dict(zip(names, weight.tolist()))
    )
