"""What a budget is of: any callable from named values to one or several named results."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.budget.inputs import Input

__all__ = ["Model", "evaluate", "with_sensitivities"]

LARGEST = 1e150

Model = Callable[[Mapping[str, Any]], Any]
"""From values by name to a number, or to a mapping of results by name."""


def evaluate(model: Model, values: Mapping[str, Any]) -> dict[str, Any]:
    """Results by name; a model with a single result calls it ``y``.

    Parameters
    ----------
    model : callable
    values : mapping of str to float or ndarray
        [unit].

    Returns
    -------
    dict of str to float or ndarray
        [unit].

    Raises
    ------
    InputError
        If a result is not finite, so large that its square cannot be held, or the model fails: it does not hold there.
    """
    try:
        found = model(values)
    except (ArithmeticError, LookupError, TypeError, ValueError) as error:
        raise InputError(
            "model",
            got=f"{type(error).__name__}: {error}",
            allowed=f"a model of the inputs {', '.join(map(str, values))}",
            do="Give every input it needs, with values at which it holds.",
        ) from error
    results = dict(found) if isinstance(found, Mapping) else {"y": found}
    for name, result in results.items():
        bad = int((~(np.abs(np.asarray(result)) <= LARGEST)).sum())
        if bad:
            raise InputError(
                f"model, result {name}",
                got=f"{bad} of {np.size(result)} values that are not finite or beyond {LARGEST:g}",
                allowed=f"a model with results up to {LARGEST:g} in size over the whole spread of its inputs",
                do="Narrow the inputs or choose distributions that keep off the values where it does not hold.",
            )
    return results


def with_sensitivities(model: Model | None, inputs: Sequence[Input], value: float | None = None) -> Model:
    """A model that also has the inputs whose sensitivities are given.

    Parameters
    ----------
    model : callable or None
        Of the other inputs; it must have one result where a sensitivity is given.
    inputs : sequence of Input
    value : float, optional
        Result at the estimates where there is no model [unit]; without it the sum of sensitivity times value.

    Returns
    -------
    callable

    Raises
    ------
    InputError
        If an input has neither a model nor a sensitivity.
    """
    given = [one for one in inputs if one.sensitivity is not None]
    known = {one.name for one in given}
    if model is None:
        lacking = [one.name for one in inputs if one.sensitivity is None]
        if lacking:
            raise InputError(
                f"input {lacking[0]}", got="no sensitivity", allowed="a sensitivity for every input, or a model"
            )
        start = value if value is not None else sum((one.sensitivity or 0.0) * one.value for one in given)
    elif not given:
        return model

    def whole(values: Mapping[str, Any]) -> Any:
        added: Any = sum((one.sensitivity or 0.0) * (values[one.name] - one.value) for one in given)
        if model is None:
            return start + added
        found = model({name: x for name, x in values.items() if name not in known})
        if isinstance(found, Mapping):
            if len(found) > 1:
                raise InputError("sensitivity", got="a model with several results", allowed="a model with one result")
            return {name: result + added for name, result in found.items()}
        return found + added

    return whole


def repeat(model: Model, draws: Mapping[str, NDArray[np.float64]]) -> dict[str, NDArray[np.float64]]:
    """Results of a model that takes one set of values at a time, run for run [unit]."""
    count = len(next(iter(draws.values())))
    rows = [evaluate(model, {name: float(x[k]) for name, x in draws.items()}) for k in range(count)]
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
