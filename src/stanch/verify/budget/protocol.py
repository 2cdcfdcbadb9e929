"""The budget protocol: from a table of inputs to an account."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from stanch.errors import InputError, UsageError
from stanch.verify.budget._account import account
from stanch.verify.budget._words import QUESTION
from stanch.verify.budget.expression import parse_model
from stanch.verify.budget.first_order import Steps, first_order
from stanch.verify.budget.inputs import Input, simultaneous
from stanch.verify.budget.model import Model
from stanch.verify.budget.monte_carlo import monte_carlo
from stanch.verify.budget.reading import DEFAULTS, read_correlations, read_inputs
from stanch.verify.budget.runs import RunCheck, against_runs
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, DataUsed
from stanch.verify.table import Table, take

__all__ = ["PROTOCOL"]

RUNS = 40


def _run(table: Table, **given: Any) -> Account:
    design = given["design"]
    if given["allowed"] is not None and given["allowed_percent"] is not None:
        raise UsageError("option --allowed-percent", got="given with --allowed", allowed="one of both")
    model, several = _model(given["model"], design)
    correlations = read_correlations(given["correlation"] or ())
    if design == "sets":
        inputs, found, data = _sets(table, given["columns"])
        correlations = {**found, **correlations}
    else:
        inputs, data = read_inputs(table, given["name"], {key: given[key] for key in DEFAULTS})
    if several is not None and len(several) > 1 and any(one.sensitivity is not None for one in inputs):
        raise InputError("sensitivity", got="a model with several results", allowed="a model with one result")
    pipeline = design == "pipeline"
    steps: Steps = given["steps"] or ("one-u" if pipeline else "fine")
    trials = given["draws"]
    common: dict[str, Any] = {
        "correlations": correlations,
        "value": given["reading_value"],
        "level": given["confidence"],
    }
    first = first_order(
        model,
        inputs,
        k=given["coverage_factor"],
        steps=steps,
        second_order=given["second_order"],
        truncate=given["truncate"],
        **common,
    )
    runs: tuple[RunCheck, ...] = ()
    if pipeline:
        runs, drawn = against_runs(
            first, model, inputs, runs=trials or RUNS, seed=given["seed"], unit=given["unit"], **common
        )
    else:
        drawn = monte_carlo(
            model, inputs, digits=given["digits"], share=0.5, trials=trials, seed=given["seed"], **common
        )
    return account(first, drawn, runs, inputs, data, {**given, "steps": steps, "model": _named(given["model"])})


def _named(model: Any) -> Any:
    return getattr(model, "__name__", "a callable") if callable(model) else model


def _model(given: Any, design: str) -> tuple[Model | None, tuple[str, ...] | None]:
    if callable(given):
        return given, None
    if design == "pipeline":
        raise UsageError(
            "model of the pipeline",
            got="nothing",
            allowed="a recording, a well and a reading, or a callable from Python",
            do="Give --recording, --well and --reading.",
        )
    if given is None:
        if design == "sets":
            raise UsageError("option --model", got="nothing", allowed="one formula or several", do="Give it.")
        return None, None
    formulas = parse_model(given)

    def model(values: Mapping[str, Any]) -> dict[str, Any]:
        return {name: formula(values) for name, formula in formulas.items()}

    return model, tuple(formulas)


def _sets(table: Table, columns: Sequence[str]) -> tuple[tuple[Input, ...], dict[tuple[str, str], float], DataUsed]:
    taken = take(table, numbers=tuple(columns), treatment="Means need numbers: bounds are refused.")
    inputs, correlations = simultaneous({name: taken.numbers[name] for name in columns})
    return inputs, correlations, taken.data


PROTOCOL = Protocol(
    "budget",
    QUESTION,
    "Inputs with their uncertainties, one per row, and a model that makes the reading of them.",
    (
        Option(
            "design",
            "choice",
            "Inputs stated in rows, means of simultaneous sets in columns, or a recording analysed again.",
            default="stated",
            choices=("stated", "sets", "pipeline"),
        ),
        Option("model", "text", "Formula of the reading, such as 'V / I * cos(phi)'; several as 'R = ...; X = ...'."),
        Option("columns", "columns", "Quantities read in simultaneous sets.", required=True, designs=("sets",)),
        Option("name", "column", "Column with the names of the inputs.", default="name"),
        Option("value", "column", "Column with their values.", default=DEFAULTS["value"]),
        Option("uncertainty", "column", "Column with their standard uncertainties.", default=DEFAULTS["uncertainty"]),
        Option("half-width", "column", "Column with half-widths, where they are stated instead.", default="half_width"),
        Option(
            "shape",
            "column",
            "Column with distributions: normal, t, rectangular, triangular, arcsine, trapezoidal; empty is rectangular "
            "for a half-width, t for a random input with degrees of freedom, else normal.",
            default=DEFAULTS["shape"],
        ),
        Option("top", "column", "Column with the top of a trapezoid over its base.", default=DEFAULTS["top"]),
        Option("df", "column", "Column with degrees of freedom; empty is unlimited.", default=DEFAULTS["df"]),
        Option("kind", "column", "Column that says random or systematic; empty is systematic.", default="kind"),
        Option("input-unit", "column", "Column with the units of the inputs.", default=DEFAULTS["input_unit"]),
        Option("source", "column", "Column that says where each uncertainty comes from.", default=DEFAULTS["source"]),
        Option(
            "sensitivity",
            "column",
            "Column with given sensitivities; such inputs stay out of the model.",
            default=DEFAULTS["sensitivity"],
        ),
        Option("reading-value", "number", "Value of the reading where there is no model.", designs=("stated",)),
        Option("correlation", "texts", "Correlation of two inputs, as one:other:0.5; may be given several times."),
        Option("confidence", "number", "Probability of the expanded uncertainty and of the intervals.", default=0.95),
        Option("coverage-factor", "number", "Coverage factor to use instead of that of Student's t."),
        Option("truncate", "flag", "Cut effective degrees of freedom to whole numbers first.", default=False),
        Option("second-order", "flag", "Add second-order terms (independent, normal inputs).", default=False),
        Option(
            "steps",
            "choice",
            "How sensitivities are found; fine unless a recording is analysed, then one-u.",
            choices=("fine", "one-u", "complex"),
        ),
        Option("digits", "count", "Digits of the standard uncertainty that count.", default=2),
        Option(
            "draws",
            "count",
            "Random trials, instead of as many as the digits need; 40 runs for a recording.",
            most=10_000_000,
        ),
        Option("interval", "choice", "Of the random trials.", default="symmetric", choices=("symmetric", "shortest")),
        Option("seed", "count", "Of the random trials.", default=0),
        Option("allowed", "number", "Largest expanded uncertainty allowed, in the unit of the reading."),
        Option("allowed-percent", "number", "The same as a percentage of the value."),
        Option("unit", "text", "Unit of the reading, as it should be printed.", default=""),
        Option("recording", "text", "Recording to analyse again.", designs=("pipeline",)),
        Option("well", "text", "Well of the recording.", designs=("pipeline",)),
        Option("reading", "text", "Key of the reading, such as plateau.", designs=("pipeline",)),
    ),
    _run,
)
