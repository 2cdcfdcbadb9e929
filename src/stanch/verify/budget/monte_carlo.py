"""Propagation of distributions by random trials (JCGM 101)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.budget.first_order import FirstOrder
from stanch.verify.budget.inputs import Correlations, Input, correlation_matrix
from stanch.verify.budget.model import Model, evaluate, repeat, with_sensitivities

__all__ = ["Distribution", "MonteCarlo", "Validation", "draw_inputs", "monte_carlo", "shortest", "validate"]

Floats = NDArray[np.float64]
BATCH = 10_000
MOST = 5_000_000
FEWEST = 3
"""Batches before stopping is thought of; two can agree by chance."""


@dataclass(frozen=True)
class Distribution:
    """What random trials say of one result.

    Parameters
    ----------
    output : str
    value, u : float
        Mean and standard deviation of the trials [unit].
    low, high : float
        Interval with equal probability outside on both sides [unit].
    shortest : tuple of float
        Ends of the shortest interval of the same level [unit].
    level : float
        [-].
    tolerance : float or None
        What may be unsettled: half a unit in the last of the digits asked for, or the share of it [unit]; null when the
        number of trials was given or `u` is zero.
    trials : ndarray, shape (trial,)
        Sorted [unit].
    """

    output: str
    value: float
    u: float
    low: float
    high: float
    shortest: tuple[float, float]
    level: float
    tolerance: float | None
    trials: Floats


@dataclass(frozen=True)
class MonteCarlo:
    """What random trials say of every result.

    Parameters
    ----------
    results : tuple of Distribution
    correlation : ndarray, shape (result, result)
        Of the trials [-].
    trials : int
        How many.
    stable : bool
        Whether mean, standard deviation and ends had settled to the digits asked for; true when the number was given.
    seed : int
    """

    results: tuple[Distribution, ...]
    correlation: Floats
    trials: int
    stable: bool
    seed: int

    def __getitem__(self, output: str) -> Distribution:
        """The distribution of a result by name."""
        return next(one for one in self.results if one.output == output)


def monte_carlo(
    model: Model | None,
    inputs: Sequence[Input],
    *,
    correlations: Correlations | None = None,
    value: float | None = None,
    level: float = 0.95,
    digits: int = 2,
    share: float = 1.0,
    trials: int | None = None,
    most: int = MOST,
    seed: int = 0,
    vectorised: bool = True,
) -> MonteCarlo:
    """Draw the inputs, run the model, describe the results.

    Parameters
    ----------
    model : callable or None
        From values by name to a number or a mapping of numbers; None where every input has a sensitivity.
    inputs : sequence of Input
    correlations : mapping of (str, str) to float, optional
        Between normal inputs, or between t inputs of the same degrees of freedom [-].
    value : float, optional
        Result at the estimates where there is no model [unit].
    level : float
        [-].
    digits : int
        Significant digits of the standard uncertainty that must have settled.
    share : float
        Of half a unit in the last of these digits that may be unsettled [-]; below 1 where first order is judged by it.
    trials : int, optional
        How many, instead of as many as the digits need.
    most : int
        Trials at which to stop in any case.
    seed : int
        Of the draws.
    vectorised : bool
        Whether the model takes arrays; otherwise it is run trial by trial.

    Returns
    -------
    MonteCarlo

    Raises
    ------
    InputError
        If inputs, correlations and model do not fit, or a result is not finite.

    Notes
    -----
    JCGM 101:2008, 6.4 (distributions), 7.7 (both intervals), 7.9 (adaptive procedure), from memory. Batches of at least
    10 000 trials are added until twice the standard error of mean, standard deviation and both ends is below half a
    unit in the last digit asked for.

    Where several means of few readings enter with the t distribution, as JCGM 101 has it, intervals are wider than they
    need be: of 2000 each at 95 %, 97.9 % held the truth for two means of three readings, 95.0 % by first order with
    Welch and Satterthwaite (``benchmarks/verification_coverage_budget.py``).

    Examples
    --------
    >>> made = monte_carlo(lambda v: v["a"] + v["b"], [Input.within("a", 0, 1), Input.within("b", 0, 1)], digits=2)
    >>> made.stable
    True
    """
    inputs = tuple(inputs)
    if not inputs:
        raise InputError("inputs", got="none", allowed="at least one")
    if not 0 < level < 1:
        raise InputError("level", got=level, allowed="between 0 and 1")
    if not 1 <= digits <= 4:
        raise InputError("digits", got=digits, allowed="1 to 4")
    if trials is not None and trials < 2:
        raise InputError("trials", got=trials, allowed="2 or more")
    matrix = correlation_matrix(inputs, correlations)
    whole, rng = with_sensitivities(model, inputs, value), np.random.default_rng(seed)

    def run(count: int) -> dict[str, Floats]:
        draws = draw_inputs(inputs, matrix, count, rng)
        if not vectorised:
            return repeat(whole, draws)
        return {
            name: np.broadcast_to(np.asarray(x, dtype=np.float64), count).copy()
            for name, x in evaluate(whole, draws).items()
        }

    if trials is not None:
        return described([run(trials)], level, None, True, seed)
    size = max(BATCH, math.ceil(100 / (1 - level)))
    batches: list[dict[str, Floats]] = []
    marks: list[Floats] = []
    stable = False
    while not stable and (len(batches) < FEWEST or (len(batches) + 1) * size <= most):
        batches.append(run(size))
        marks.append(_marks(batches[-1], level))
        stable = len(batches) >= FEWEST and _settled(np.array(marks), digits, share)
    return described(batches, level, digits, stable, seed, share)


def draw_inputs(inputs: Sequence[Input], matrix: Floats, count: int, rng: np.random.Generator) -> dict[str, Floats]:
    """Joint random values of the inputs.

    Parameters
    ----------
    inputs : sequence of Input
    matrix : ndarray, shape (input, input)
        Correlations [-].
    count : int
    rng : numpy.random.Generator

    Returns
    -------
    dict of str to ndarray, shape (count,)
        By name [unit].

    Raises
    ------
    InputError
        If inputs of unlike distributions are correlated.
    """
    linked = [i for i in range(len(inputs)) if (np.delete(matrix[i], i) != 0).any() and inputs[i].u > 0]
    drawn: dict[str, Floats] = {}
    if linked:
        kinds = {(inputs[i].shape, inputs[i].df if inputs[i].shape == "t" else 0.0) for i in linked}
        shape, df = next(iter(kinds))
        if len(kinds) > 1 or shape not in ("normal", "t"):
            raise InputError(
                "distributions of correlated inputs",
                got=", ".join(sorted({inputs[i].shape for i in linked})),
                allowed="all normal, or all t with the same degrees of freedom",
            )
        values, vectors = np.linalg.eigh(matrix[np.ix_(linked, linked)])
        z = (vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal((len(linked), count))
        if shape == "t":
            z *= np.sqrt(df / rng.chisquare(df, count))
        drawn = {inputs[i].name: inputs[i].value + inputs[i].u * row for i, row in zip(linked, z, strict=True)}
    return {one.name: drawn[one.name] if one.name in drawn else one.draw(count, rng) for one in inputs}


def shortest(ordered: Floats, level: float) -> tuple[float, float]:
    """Ends of the shortest interval that holds a share `level` [-] of sorted trials [unit]."""
    count = ordered.size
    inside = min(count - 1, round(level * count))
    widths = ordered[inside:] - ordered[: count - inside]
    r = int(np.argmin(widths))
    return float(ordered[r]), float(ordered[r + inside])


def _ends(ordered: Floats, level: float) -> tuple[float, float]:
    low, high = np.quantile(ordered, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def _marks(batch: dict[str, Floats], level: float) -> Floats:
    """Mean, standard deviation and both ends of every result of a batch, shape (result, 4) [unit]."""
    return np.array([[x.mean(), x.std(ddof=1), *_ends(x, level)] for x in batch.values()])


def _settled(marks: Floats, digits: int, share: float) -> bool:
    """From the marks of all batches, shape (batch, result, 4) [unit]."""
    error = 2 * marks.std(axis=0, ddof=1) / math.sqrt(len(marks))
    spread = np.sqrt(np.mean(marks[:, :, 1] ** 2, axis=0))
    return all(
        u == 0 or bool((row < share * tolerance(float(u), digits)).all()) for u, row in zip(spread, error, strict=True)
    )


def tolerance(u: float, digits: int) -> float:
    """Half a unit in the last of so many significant digits of a standard uncertainty [unit]."""
    return float(0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1))


def described(
    batches: Sequence[Mapping[str, Floats]],
    level: float,
    digits: int | None,
    stable: bool,
    seed: int,
    share: float = 1.0,
) -> MonteCarlo:
    """Trials as distributions.

    Parameters
    ----------
    batches : sequence of mapping of str to ndarray
        Results by name, batch by batch [unit].
    level : float
        [-].
    digits : int or None
        That must have settled.
    stable : bool
    seed : int
    share : float
        Of half a unit in the last of the digits [-].

    Returns
    -------
    MonteCarlo
    """
    names = list(batches[0])
    whole = {name: np.concatenate([b[name] for b in batches]) for name in names}
    spread = [float(whole[name].std(ddof=1)) for name in names]
    correlation = np.eye(len(names))
    if len(names) > 1 and min(spread) > 0:
        correlation = np.corrcoef(np.array([whole[name] for name in names]))
    results = []
    for name, u in zip(names, spread, strict=True):
        ordered = np.sort(whole[name])
        low, high = _ends(ordered, level)
        results.append(
            Distribution(
                name,
                float(ordered.mean()),
                u,
                low,
                high,
                shortest(ordered, level),
                level,
                None if digits is None or u == 0 else share * tolerance(u, digits),
                ordered,
            )
        )
    return MonteCarlo(tuple(results), correlation, int(whole[names[0]].size), stable, seed)


@dataclass(frozen=True)
class Validation:
    """First order put against random trials.

    Parameters
    ----------
    low, high : float
        Distances between the ends of both intervals [unit].
    tolerance : float
        Half a unit in the last digit that counts [unit].
    digits : int
        Digits of the standard uncertainty that count.
    interval : str
        Which of the trials' intervals: ``symmetric`` or ``shortest``.
    valid : bool
        Both distances within the tolerance.
    """

    low: float
    high: float
    tolerance: float
    digits: int
    interval: Literal["symmetric", "shortest"]
    valid: bool


def validate(
    first: FirstOrder,
    trials: Distribution,
    *,
    digits: int = 2,
    interval: Literal["symmetric", "shortest"] = "symmetric",
) -> Validation:
    """Whether first order may stand for the distribution, to so many digits.

    Parameters
    ----------
    first : FirstOrder
    trials : Distribution
        Of the same level; settled to less than half a unit in the last digit, or its own error may decide.
    digits : int
        Significant digits of the standard uncertainty that count.
    interval : str

    Returns
    -------
    Validation

    Raises
    ------
    InputError
        If the levels differ.

    Notes
    -----
    JCGM 101:2008, clause 8 (from memory).
    """
    if first.level != trials.level:
        raise InputError("levels", got=(first.level, trials.level), allowed="the same level")
    low, high = (trials.low, trials.high) if interval == "symmetric" else trials.shortest
    edge = tolerance(first.u, digits) if first.u > 0 else 0.0
    below = abs(first.value - first.expanded - low)
    above = abs(first.value + first.expanded - high)
    return Validation(below, above, edge, digits, interval, below <= edge and above <= edge)
