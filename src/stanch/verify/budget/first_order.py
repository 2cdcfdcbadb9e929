"""First-order propagation of uncertainty (JCGM 100), with second-order terms where wanted."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.budget.inputs import Correlations, Input, correlation_matrix
from stanch.verify.budget.model import Model, evaluate, with_sensitivities

__all__ = ["Contribution", "FirstOrder", "Propagated", "Steps", "first_order"]

Floats = NDArray[np.float64]
Steps = Literal["fine", "one-u", "complex"]
FINE = 0.05
"""Step of the fine differences in standard uncertainties; with one extrapolation the error goes with its 4th power."""
SECOND = 0.1


@dataclass(frozen=True)
class Contribution:
    """What one input adds.

    Parameters
    ----------
    input : Input
    sensitivity : float or None
        Change of the result per change of the input [unit]; null where `u` is zero and none was given.
    part : float
        Sensitivity times standard uncertainty, with sign, in the unit of the result [unit].
    share : float
        Its square over the combined variance [-]; shares do not add to 1 where inputs are correlated.
    """

    input: Input
    sensitivity: float | None
    part: float
    share: float


@dataclass(frozen=True)
class FirstOrder:
    """The budget of one result.

    Parameters
    ----------
    output : str
    value : float
        [unit].
    u : float
        Combined standard uncertainty, second-order terms included where asked for [unit].
    df : float
        Effective degrees of freedom [-]; infinite where no input has any stated.
    k : float
        Coverage factor [-].
    level : float
        [-].
    expanded : float
        k u [unit].
    contributions : tuple of Contribution
        The largest first.
    u_random, u_systematic : float
        Of the inputs of each kind [unit].
    correlated : float
        Part of the variance that comes from correlations, with sign; square of the result's unit [unit].
    second_order : float or None
        Part of the variance from second-order terms, square of the result's unit [unit]; null when not asked for.
    shift : float or None
        Mean of the result minus its value at the estimates, to second order [unit].
    """

    output: str
    value: float
    u: float
    df: float
    k: float
    level: float
    expanded: float
    contributions: tuple[Contribution, ...]
    u_random: float
    u_systematic: float
    correlated: float
    second_order: float | None = None
    shift: float | None = None


@dataclass(frozen=True)
class Propagated:
    """Budgets of all results of a model.

    Parameters
    ----------
    results : tuple of FirstOrder
    correlation : ndarray, shape (result, result)
        [-]; zero where a result has no uncertainty.
    """

    results: tuple[FirstOrder, ...]
    correlation: Floats

    def __getitem__(self, output: str) -> FirstOrder:
        """The budget of a result by name."""
        return next(one for one in self.results if one.output == output)


def first_order(
    model: Model | None,
    inputs: Sequence[Input],
    *,
    correlations: Correlations | None = None,
    value: float | None = None,
    level: float = 0.95,
    k: float | None = None,
    steps: Steps = "fine",
    second_order: bool = False,
    truncate: bool = False,
) -> Propagated:
    """Combine the uncertainties of the inputs of a model to first order.

    Parameters
    ----------
    model : callable or None
        From values by name to a number or a mapping of numbers; None where every input has a sensitivity.
    inputs : sequence of Input
    correlations : mapping of (str, str) to float, optional
        [-].
    value : float, optional
        Result at the estimates where there is no model [unit].
    level : float
        Of the expanded uncertainty [-].
    k : float, optional
        Coverage factor to use instead of that of Student's t [-].
    steps : str
        How sensitivities are found: ``fine`` central differences with one extrapolation, ``one-u`` half the change
        between plus and minus one standard uncertainty (two runs per input; for expensive models), or ``complex``
        steps (exact, for models of plain arithmetic).
    second_order : bool
        Add the second-order terms for independent, normal inputs.
    truncate : bool
        Cut the effective degrees of freedom to a whole number before the coverage factor is taken, as tables do.

    Returns
    -------
    Propagated

    Raises
    ------
    InputError
        If inputs, correlations and model do not fit, or a result is not finite.

    Notes
    -----
    JCGM 100:2008, 5.1.2, 5.1.3 note 2, 5.2.2, its note on higher-order terms, and G.4 (from memory; the text is freely
    readable). Where inputs are correlated, each set of inputs that hang together enters the Welch-Satterthwaite formula
    as one component with the smallest degrees of freedom in it: own choice, exact for simultaneous sets.

    Examples
    --------
    >>> made = first_order(lambda v: v["a"] * v["b"], [Input("a", 2.0, 0.1), Input("b", 3.0, 0.2)])
    >>> round(made["y"].u, 3)
    0.5
    """
    inputs = tuple(inputs)
    _check(inputs, level, k, steps)
    matrix = correlation_matrix(inputs, correlations)
    whole = with_sensitivities(model, inputs, value)
    at = {one.name: one.value for one in inputs}
    start = {name: float(np.real(x)) for name, x in evaluate(whole, at).items()}
    slopes = {"fine": _fine, "one-u": _one_u, "complex": _complex}[steps]
    parts = np.array([slopes(whole, at, one, tuple(start)) for one in inputs]).T.reshape(len(start), len(inputs))
    if second_order and bool(np.any(matrix != np.eye(len(inputs)))):
        raise InputError("second-order terms", got="correlated inputs", allowed="independent inputs")
    scale = np.abs(parts).max(axis=1, keepdims=True)
    unit = np.divide(parts, scale, out=np.zeros_like(parts), where=scale > 0)
    covariance = unit @ matrix @ unit.T
    extra = _second_order(whole, inputs, tuple(start), parts) if second_order else None
    results = []
    for row, output in enumerate(start):
        added = None if extra is None else float(extra[0][row])
        shift = None if extra is None else float(extra[1][row])
        results.append(
            _result(output, start[output], inputs, parts[row], matrix, level, k, truncate, added=added, shift=shift)
        )
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    both = np.outer(sd, sd)
    correlation = np.divide(covariance, both, out=np.zeros_like(covariance), where=both > 0)
    return Propagated(tuple(results), np.clip(correlation, -1.0, 1.0))


def _check(inputs: tuple[Input, ...], level: float, k: float | None, steps: str) -> None:
    if not inputs:
        raise InputError("inputs", got="none", allowed="at least one")
    if not 0 < level < 1:
        raise InputError("level", got=level, allowed="between 0 and 1")
    if k is not None and not (k > 0 and math.isfinite(k)):
        raise InputError("coverage factor", got=k, allowed="above 0")
    if steps not in get_args(Steps):
        raise InputError("steps", got=steps, allowed=", ".join(get_args(Steps)))


def _result(
    output: str,
    value: float,
    inputs: tuple[Input, ...],
    parts: Floats,
    matrix: Floats,
    level: float,
    k: float | None,
    truncate: bool,
    *,
    added: float | None,
    shift: float | None,
) -> FirstOrder:
    first = _norm(parts, matrix)
    u = math.sqrt(max(first * first + added, 0.0)) if added is not None else first
    random = np.array([one.kind == "random" for one in inputs])
    df = effective_df(inputs, parts, matrix)
    factor = k if k is not None else _factor(math.floor(df) if truncate and math.isfinite(df) else df, level)
    alone = _norm(parts, np.eye(len(inputs)))
    correlated = 0.0 if bool((matrix == np.eye(len(inputs))).all()) else (first - alone) * (first + alone)
    made = tuple(
        Contribution(
            one,
            one.sensitivity if one.sensitivity is not None else (float(part / one.u) if one.u > 0 else None),
            float(part),
            float((part / u) ** 2) if u > 0 else 0.0,
        )
        for one, part in zip(inputs, parts, strict=True)
    )
    return FirstOrder(
        output,
        value,
        u,
        df,
        factor,
        level,
        factor * u,
        tuple(sorted(made, key=lambda c: -abs(c.part))),
        _norm(np.where(random, parts, 0.0), matrix),
        _norm(np.where(random, 0.0, parts), matrix),
        correlated,
        added,
        shift,
    )


def _norm(parts: Floats, matrix: Floats) -> float:
    """Root of the quadratic form, safe against overflow [unit]."""
    scale = float(np.abs(parts).max(initial=0.0))
    if scale == 0:
        return 0.0
    some = parts / scale
    return scale * math.sqrt(max(float(some @ matrix @ some), 0.0))


def _factor(df: float, level: float) -> float:
    from scipy import special

    if math.isinf(df):
        return float(special.ndtri(0.5 + level / 2))
    return float(special.stdtrit(max(df, 1.0), 0.5 + level / 2))


def effective_df(inputs: Sequence[Input], parts: Floats, matrix: Floats) -> float:
    """Effective degrees of freedom by Welch and Satterthwaite, fractional.

    Parameters
    ----------
    inputs : sequence of Input
    parts : ndarray, shape (input,)
        Sensitivity times standard uncertainty [unit].
    matrix : ndarray, shape (input, input)
        Correlations [-].

    Returns
    -------
    float
        [-].
    """
    scale = float(np.abs(parts).max(initial=0.0))
    if scale == 0:
        return math.inf
    parts = parts / scale
    total, sum_ = max(float(parts @ matrix @ parts), 0.0), 0.0
    left = set(range(len(inputs)))
    while left:
        block, fresh = set(), {min(left)}
        while fresh:
            block |= fresh
            fresh = {j for i in fresh for j in left if matrix[i, j] != 0} - block
        left -= block
        some = np.zeros(len(inputs))
        index = sorted(block)
        some[index] = parts[index]
        df = min((inputs[i].df for i in index if parts[i] != 0), default=math.inf)
        sum_ += max(float(some @ matrix @ some), 0.0) ** 2 / df
    return total * total / sum_ if sum_ > 0 and total > 0 else math.inf


def _moved(model: Model, at: dict[str, float], name: str, step: Any, outputs: tuple[str, ...]) -> NDArray[Any]:
    found = evaluate(model, {**at, name: at[name] + step})
    return np.array([found[o] for o in outputs])


def _one_u(model: Model, at: dict[str, float], one: Input, outputs: tuple[str, ...]) -> Floats:
    if one.u == 0:
        return np.zeros(len(outputs))
    up, down = (_moved(model, at, one.name, sign * one.u, outputs) for sign in (1, -1))
    return np.asarray(0.5 * (up - down), dtype=np.float64)


def _fine(model: Model, at: dict[str, float], one: Input, outputs: tuple[str, ...]) -> Floats:
    def slope(h: float) -> Floats:
        up, down = (_moved(model, at, one.name, sign * h * one.u, outputs) for sign in (1, -1))
        return np.asarray((up - down) / (2 * h), dtype=np.float64)

    return np.zeros(len(outputs)) if one.u == 0 else extrapolated(slope, FINE)


def extrapolated(function: Callable[[float], Floats], h: float) -> Floats:
    """The limit for a vanishing step from the steps h and 2 h, whose error goes with the square [-]."""
    return np.asarray((4 * function(h) - function(2 * h)) / 3)


def _complex(model: Model, at: dict[str, float], one: Input, outputs: tuple[str, ...]) -> Floats:
    tiny = 1e-30
    return np.asarray(np.imag(_moved(model, at, one.name, 1j * tiny, outputs)) / tiny * one.u, dtype=np.float64)


def _second_order(
    model: Model, inputs: tuple[Input, ...], outputs: tuple[str, ...], parts: Floats
) -> tuple[Floats, Floats]:
    """Sum over all pairs of half the square of f_ij plus f_i f_ijj, and half the sum of f_ii, in units of u."""

    def at(moves: dict[int, float]) -> Floats:
        values = {one.name: one.value + moves.get(i, 0.0) * one.u for i, one in enumerate(inputs)}
        found = evaluate(model, values)
        return np.array([float(found[o]) for o in outputs])

    start, n = at({}), len(inputs)
    variance, shift = np.zeros(len(outputs)), np.zeros(len(outputs))
    for i in range(n):
        for j in range(n):
            second = extrapolated(lambda h, i=i, j=j: _mixed(at, start, i, j, h), SECOND)  # type: ignore[misc]
            third = extrapolated(lambda h, i=i, j=j: _third(at, i, j, h), SECOND)  # type: ignore[misc]
            variance += 0.5 * second**2 + parts[:, i] * third
            if i == j:
                shift += 0.5 * second
    return variance, shift


def _mixed(at: Callable[[dict[int, float]], Floats], start: Floats, i: int, j: int, h: float) -> Floats:
    if i == j:
        return (at({i: h}) - 2 * start + at({i: -h})) / h**2
    return (at({i: h, j: h}) - at({i: h, j: -h}) - at({i: -h, j: h}) + at({i: -h, j: -h})) / (4 * h**2)


def _third(at: Callable[[dict[int, float]], Floats], i: int, j: int, h: float) -> Floats:
    """The first derivative along i of the second along j."""
    if i == j:
        return (at({i: 2 * h}) - 2 * at({i: h}) + 2 * at({i: -h}) - at({i: -2 * h})) / (2 * h**3)
    up = at({i: h, j: h}) - 2 * at({i: h}) + at({i: h, j: -h})
    down = at({i: -h, j: h}) - 2 * at({i: -h}) + at({i: -h, j: -h})
    return (up - down) / (2 * h**3)
