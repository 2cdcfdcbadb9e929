"""First order put against running the model itself with all inputs moved at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stanch.errors import InputError
from stanch.verify.budget.first_order import Propagated
from stanch.verify.budget.inputs import Correlations, Input, correlation_matrix
from stanch.verify.budget.model import Model, repeat, with_sensitivities
from stanch.verify.budget.monte_carlo import MonteCarlo, described, draw_inputs
from stanch.verify.intervals import sd_interval
from stanch.verify.records import Bounded

__all__ = ["RunCheck", "against_runs"]


@dataclass(frozen=True)
class RunCheck:
    """One result: what first order foretells of each run, and what the run gave.

    Parameters
    ----------
    output : str
    foretold, found : tuple of float
        By run: the value at the estimates plus sensitivities times moves, and the model itself [unit].
    u : Bounded
        Standard deviation of the runs with its chi-square interval [unit].
    ratio : float or None
        Standard deviation of the found over that of the foretold results of the same draws [-]: what first order must
        be multiplied by. The luck of the draws is in both, so a few tens of runs tell it well.
    remainder : float or None
        Root mean square of found minus foretold over the standard uncertainty of first order [-].
    agrees : bool
        `ratio` is 1 within `within`, and `remainder` at most three times that.
    """

    output: str
    foretold: tuple[float, ...]
    found: tuple[float, ...]
    u: Bounded
    ratio: float | None
    remainder: float | None
    agrees: bool


def against_runs(
    first: Propagated,
    model: Model | None,
    inputs: Sequence[Input],
    *,
    correlations: Correlations | None = None,
    value: float | None = None,
    level: float = 0.95,
    runs: int = 40,
    within: float = 0.1,
    seed: int = 0,
    unit: str = "",
) -> tuple[tuple[RunCheck, ...], MonteCarlo]:
    """Run a model with all inputs drawn jointly and compare each run with what first order foretells.

    Parameters
    ----------
    first : Propagated
        First order of the same model and inputs.
    model : callable or None
        Takes one value by name at a time.
    inputs : sequence of Input
    correlations : mapping of (str, str) to float, optional
        [-].
    value : float, optional
        Result at the estimates where there is no model [unit].
    level : float
        [-].
    runs : int
    within : float
        How far the standard uncertainties may differ, as a share [-]: own choice, one digit.
    seed : int
    unit : str

    Returns
    -------
    tuple of RunCheck
    MonteCarlo

    Raises
    ------
    InputError
        If there are fewer than ten runs, or a run gives no number.
    """
    if runs < 10:
        raise InputError("runs", got=runs, allowed="10 or more: fewer say nothing of a standard deviation")
    inputs = tuple(inputs)
    whole = with_sensitivities(model, inputs, value)
    draws = draw_inputs(inputs, correlation_matrix(inputs, correlations), runs, np.random.default_rng(seed))
    found = repeat(whole, draws)
    checks = []
    for one in first.results:
        sensitivity = {c.input.name: c.sensitivity or 0.0 for c in one.contributions}
        moves = sum(sensitivity[i.name] * (draws[i.name] - i.value) for i in inputs)
        foretold, result = one.value + np.asarray(moves), found[one.output]
        sd = float(result.std(ddof=1))
        u = sd_interval(sd, runs - 1.0, level=level, unit=unit)
        away, expected = math.sqrt(float(np.mean((result - foretold) ** 2))), float(foretold.std(ddof=1))
        ratio = sd / expected if expected > 0 else None
        remainder = away / one.u if one.u > 0 else None
        good = ratio is not None and abs(ratio - 1) <= within and remainder is not None and remainder <= 3 * within
        checks.append(RunCheck(one.output, tuple(foretold.tolist()), tuple(result.tolist()), u, ratio, remainder, good))
    return tuple(checks), described([found], level, None, True, seed)
