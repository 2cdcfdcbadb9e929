"""The budget protocol: from a table of inputs to an account."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from stanch.errors import InputError, UsageError
from stanch.verify.budget.expression import parse_model
from stanch.verify.budget.first_order import FirstOrder, Propagated, Steps, first_order
from stanch.verify.budget.inputs import Input, simultaneous
from stanch.verify.budget.model import Model
from stanch.verify.budget.monte_carlo import Distribution, MonteCarlo, Validation, monte_carlo, validate
from stanch.verify.budget.reading import DEFAULTS, read_correlations, read_inputs
from stanch.verify.budget.runs import RunCheck, against_runs
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import (
    Account,
    Bars,
    Bounded,
    Cell,
    Column,
    DataUsed,
    Definition,
    Grid,
    Level,
    Line,
    Outcome,
    Picture,
    Points,
    Rows,
    Verdict,
)
from stanch.verify.table import Table, take

__all__ = ["PROTOCOL"]

QUESTION = "How uncertain is a reading, and what makes it so?"
RUNS = 40


def _run(table: Table, **given: Any) -> Account:
    design = given["design"]
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
    trials = given["trials"]
    common: dict[str, Any] = {"correlations": correlations, "value": given["reading_value"], "level": given["level"]}
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
    return _account(first, drawn, runs, inputs, data, {**given, "steps": steps, "model": _named(given["model"])})


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


def _account(
    first: Propagated,
    drawn: MonteCarlo,
    runs: tuple[RunCheck, ...],
    inputs: Sequence[Input],
    data: DataUsed,
    given: Mapping[str, Any],
) -> Account:
    unit, pipeline = given["unit"], given["design"] == "pipeline"
    checks = {}
    if not pipeline and drawn.trials >= 1000:
        checks = {
            one.output: validate(one, drawn[one.output], digits=given["digits"], interval=given["interval"])
            for one in first.results
        }
    grids = [_results(first, drawn, checks, unit, given)]
    pictures = []
    for one in first.results:
        grids.append(_contributions(one, unit, len(first.results) > 1))
        pictures.append(_ranked(one, unit))
        if not pipeline:
            pictures.append(_histogram(one, drawn[one.output], unit, given["interval"]))
    if runs:
        grids.append(_run_grid(first, runs, unit))
        pictures += [_run_picture(check, unit) for check in runs]
    if len(first.results) > 1:
        grids.append(_correlations(first, drawn))
    grids.append(_inputs(inputs))
    warnings = _warnings(first, drawn, checks, runs, inputs)
    return Account(
        protocol="budget",
        title="Uncertainty budget",
        question=QUESTION,
        design=_design(first, drawn, inputs, given),
        data=data,
        verdicts=tuple(_verdict(one, given) for one in first.results),
        grids=tuple(grids),
        pictures=tuple(pictures[:4]),
        definitions=DEFINITIONS,
        settings=dict(given),
        numbers=_numbers(first, drawn, checks, runs),
        warnings=warnings,
        seed=given["seed"],
    )


def _design(first: Propagated, drawn: MonteCarlo, inputs: Sequence[Input], given: Mapping[str, Any]) -> tuple[str, ...]:
    random = sum(one.kind == "random" for one in inputs)
    how = {
        "fine": "central differences",
        "one-u": "half the change between plus and minus one standard uncertainty",
        "complex": "complex steps",
    }[given["steps"]]
    source = {
        "stated": "Inputs stated one per row.",
        "sets": "Means of quantities read in simultaneous sets, with the correlations of these means.",
        "pipeline": "The recording analysed again with its settings changed.",
    }[given["design"]]
    return (
        source,
        f"{len(inputs)} inputs, {random} random and {len(inputs) - random} systematic; {len(first.results)} "
        f"{'result' if len(first.results) == 1 else 'results'}.",
        f"First order: sensitivities by {how}, except where given.",
        f"Random trials: {drawn.trials} joint draws of all inputs.",
    )


def _verdict(one: FirstOrder, given: Mapping[str, Any]) -> Verdict:
    unit, allowed, relative = given["unit"], given["allowed"], given["allowed_percent"]
    name = "the reading" if one.output == "y" else one.output
    claim = f"The expanded uncertainty of {name} is small enough"
    rule = f"Met when the expanded uncertainty of level {100 * one.level:g} % does not exceed what is allowed."
    found, limit, text = Bounded(one.expanded, unit=unit, level=one.level), allowed, ""
    if allowed is not None:
        text = f"at most {allowed:g} {unit}".strip()
    elif relative is not None:
        limit, text = relative, f"at most {relative:g} % of the value"
        if one.value == 0:
            return Verdict(claim, Bounded.missing("The value is zero; a percentage of it means nothing.", "%"), text,
                           "undecided", rule)  # fmt: skip
        found = Bounded(100 * one.expanded / abs(one.value), unit="%", level=one.level)
    outcome: Outcome = "no limit stated"
    if limit is not None:
        assert found.value is not None
        outcome = "met" if found.value <= limit else "not met"
    return Verdict(claim, found, text, outcome, rule)


def _results(
    first: Propagated, drawn: MonteCarlo, checks: Mapping[str, Validation], unit: str, given: Mapping[str, Any]
) -> Grid:
    columns = tuple(
        Column(name, of)
        for name, of in (
            ("result", ""),
            ("method", ""),
            ("value", unit),
            ("standard uncertainty", unit),
            ("random part", unit),
            ("systematic part", unit),
            ("effective degrees of freedom", ""),
            ("coverage factor", ""),
            ("interval", unit),
        )
    )
    rows: list[tuple[Cell, ...]] = []
    for one in first.results:
        df: Cell = one.df if math.isfinite(one.df) else "unlimited"
        ends = Bounded(one.value, one.value - one.expanded, one.value + one.expanded, unit, one.level)
        rows.append(
            (one.output, "first order", one.value, one.u, one.u_random, one.u_systematic, df, one.k, ends)
        )  # fmt: skip
        mc = drawn[one.output]
        low, high = _interval(mc, given["interval"])
        ends = Bounded(mc.value, min(low, mc.value), max(high, mc.value), unit, mc.level)
        rows.append((one.output, "random trials", mc.value, mc.u, None, None, None, None, ends))
    note = f"The interval of the random trials is the {given['interval']} one."
    if checks:
        good = all(check.valid for check in checks.values())
        note += (
            f" First order agrees with the random trials to {given['digits']} digits of the standard uncertainty."
            if good
            else f" First order does not agree with the random trials to {given['digits']} digits; use the trials."
        )
    return Grid("Results", columns, tuple(rows), note)


def _interval(mc: Distribution, which: str) -> tuple[float, float]:
    return mc.shortest if which == "shortest" else (mc.low, mc.high)


def _contributions(one: FirstOrder, unit: str, several: bool) -> Grid:
    rows = tuple((c.input.name, c.input.kind, c.sensitivity, c.part, 100 * c.share) for c in one.contributions)
    names = (
        Column("input"),
        Column("kind"),
        Column("sensitivity"),
        Column("contribution", unit),
        Column("share of the variance", "%"),
    )
    note = "Largest first. Random: another value at the next run. Systematic: the same at every run."
    if one.correlated != 0:
        note += " Shares do not add to 100 % because inputs are correlated."
    return Grid(f"Contributions to {one.output}" if several else "Contributions", names, rows, note)


def _inputs(inputs: Sequence[Input]) -> Grid:
    rows = tuple(
        (i.name, i.value, i.u, i.unit, i.shape, i.df if math.isfinite(i.df) else "unlimited", i.source) for i in inputs
    )
    names = (
        Column("input"),
        Column("value"),
        Column("standard uncertainty"),
        Column("unit"),
        Column("shape"),
        Column("degrees of freedom"),
        Column("source"),
    )
    return Grid("Inputs", names, rows, "In the order of the table.")


def _correlations(first: Propagated, drawn: MonteCarlo) -> Grid:
    names = [one.output for one in first.results]
    rows = tuple(
        (names[i], names[j], float(first.correlation[i, j]), float(drawn.correlation[i, j]))
        for i in range(len(names))
        for j in range(i + 1, len(names))
    )
    return Grid(
        "Correlation of the results",
        (Column("result"), Column("other result"), Column("first order"), Column("random trials")),
        rows,
    )


def _ranked(one: FirstOrder, unit: str) -> Picture:
    shown = one.contributions[:12]
    parts = tuple(abs(c.part) for c in shown)
    of = "" if one.output == "y" else f" to {one.output}"
    return Picture(
        f"Contributions{of}",
        f"contribution to the standard uncertainty [{unit or '-'}]",
        "",
        (
            Rows(
                tuple(f"{c.input.name} ({c.input.kind})" for c in shown),
                parts,
                (None,) * len(parts),
                (None,) * len(parts),
            ),
            Level(one.u, "combined", axis="x", kind="mean"),
        ),
        caption="Sensitivity times standard uncertainty of each input, largest first; the upright line is their "
        "combination." + ("" if len(shown) == len(one.contributions) else f" The largest {len(shown)} are shown."),
        alt=f"The largest contribution is {shown[0].input.name} with {shown[0].share:.0%} of the variance.",
    )


def _histogram(one: FirstOrder, mc: Distribution, unit: str, which: str) -> Picture:
    count = mc.trials.size
    of = "" if one.output == "y" else f" of {one.output}"
    bins = int(np.clip(count // 50, 8, 80))
    edge = (mc.trials[int(0.0005 * count)], mc.trials[min(count - 1, int(0.9995 * count))])
    if not edge[1] > edge[0]:
        edge = (mc.value - 0.5, mc.value + 0.5)
    heights, edges = np.histogram(mc.trials, bins=bins, range=edge)
    density = heights / (count * np.diff(edges))
    layers: list[Any] = [Bars(tuple(edges.tolist()), tuple(density.tolist()), "random trials")]
    if one.u > 0:
        x = np.linspace(edges[0], edges[-1], 201)
        y = np.exp(-0.5 * ((x - one.value) / one.u) ** 2) / (one.u * math.sqrt(2 * math.pi))
        layers.append(Line(tuple(x.tolist()), tuple(y.tolist()), "first order, normal", 1))
    low, high = _interval(mc, which)
    layers += [Level(low, f"{which} interval", axis="x"), Level(high, "", axis="x")]
    return Picture(
        f"Distribution{of}",
        f"result [{unit or '-'}]",
        f"density [1/({unit or '-'})]",
        tuple(layers),
        caption="Bars: results of joint random draws of all inputs. Line: the normal distribution that first order "
        "implies. Where they part, first order does not hold.",
        alt=f"{count} trials: mean {mc.value:.5g}, standard deviation {mc.u:.3g}; first order gives {one.u:.3g}.",
    )


def _run_grid(first: Propagated, runs: tuple[RunCheck, ...], unit: str) -> Grid:
    columns = (
        Column("result"),
        Column("standard uncertainty, first order", unit),
        Column("standard deviation of the runs", unit),
        Column("runs over first order"),
        Column("remainder", "%"),
        Column("agreement"),
    )
    rows = tuple(
        (
            r.output,
            first[r.output].u,
            r.u,
            r.ratio,
            None if r.remainder is None else 100 * r.remainder,
            "yes" if r.agrees else "no",
        )
        for r in runs
    )
    note = (
        f"{len(runs[0].found)} runs with all inputs drawn at once. Runs over first order: standard deviation of the "
        "runs over that of what first order foretells of the same draws; they agree when it is 1 within 0.1. "
        "Remainder: root mean square of what first order leaves unexplained in single runs, as a percentage of its "
        "standard uncertainty."
    )
    return Grid("First order against runs", columns, rows, note)


def _run_picture(check: RunCheck, unit: str) -> Picture:
    ends = (min(*check.foretold, *check.found), max(*check.foretold, *check.found))
    remainder = "" if check.remainder is None else f"; the remainder is {check.remainder:.1%} of the uncertainty"
    return Picture(
        "Runs against first order",
        f"foretold by first order [{unit or '-'}]",
        f"found by the run [{unit or '-'}]",
        (Line(ends, ends, "equal", 1), Points(check.foretold, check.found, "runs")),
        caption="Each mark is one run with all inputs drawn at once. On the line, first order foretells it exactly.",
        alt=f"{len(check.found)} runs{remainder}.",
        equal=True,
    )


def _warnings(
    first: Propagated,
    drawn: MonteCarlo,
    checks: Mapping[str, Validation],
    runs: tuple[RunCheck, ...],
    inputs: Sequence[Input],
) -> tuple[str, ...]:
    found = [
        f"First order and random trials disagree for {name} by more than {check.tolerance:g}; use the trials' interval."
        for name, check in checks.items()
        if not check.valid and drawn[name].tolerance is not None
    ]
    if not drawn.stable:
        found.append(f"The random trials had not settled after {drawn.trials}; their last digit is unsure.")
    wide = [one.name for one in inputs if one.shape == "t" and one.df <= 2]
    if wide:
        found.append(f"The t distribution of {wide[0]} has no finite variance: compare intervals, not deviations.")
    found += [
        f"First order and {drawn.trials} runs disagree on the standard uncertainty of {one.output}."
        for one in runs
        if not one.agrees
    ]
    if any(one.u == 0 and one.value == 0 for one in first.results):
        found.append("A result is zero without uncertainty: nothing moves it.")
    return tuple(found)


def _numbers(
    first: Propagated, drawn: MonteCarlo, checks: Mapping[str, Validation], runs: tuple[RunCheck, ...]
) -> dict[str, Any]:
    made: dict[str, Any] = {"trials": drawn.trials, "stable": drawn.stable, "results": {}}
    for one in first.results:
        mc, check = drawn[one.output], checks.get(one.output)
        made["results"][one.output] = {
            "value": one.value,
            "u": one.u,
            "u_random": one.u_random,
            "u_systematic": one.u_systematic,
            "effective_df": one.df if math.isfinite(one.df) else None,
            "k": one.k,
            "expanded": one.expanded,
            "correlated_variance": one.correlated,
            "second_order_variance": one.second_order,
            "second_order_shift": one.shift,
            "contributions": [
                {
                    "input": c.input.name,
                    "kind": c.input.kind,
                    "u": c.input.u,
                    "df": c.input.df if math.isfinite(c.input.df) else None,
                    "sensitivity": c.sensitivity,
                    "part": c.part,
                    "share": c.share,
                }
                for c in one.contributions
            ],
            "trials": {
                "value": mc.value,
                "u": mc.u,
                "symmetric": [mc.low, mc.high],
                "shortest": list(mc.shortest),
                "tolerance": mc.tolerance,
            },
            "validation": None
            if check is None
            else {
                "low": check.low,
                "high": check.high,
                "tolerance": check.tolerance,
                "digits": check.digits,
                "valid": check.valid,
            },
        }
    made["runs"] = [
        {
            "result": r.output,
            "u": r.u,
            "ratio": r.ratio,
            "remainder": r.remainder,
            "agrees": r.agrees,
            "found": list(r.found),
        }
        for r in runs
    ]
    made["correlation"] = first.correlation.tolist()
    return made


GUM = "JCGM 100:2008 (freely readable), clauses from memory"
GUM_1 = "JCGM 101:2008 (freely readable), clauses from memory"
DEFINITIONS = (
    Definition("standard uncertainty", "The uncertainty of a value as one standard deviation.", GUM),
    Definition("sensitivity", "Change of the result per change of an input.", GUM),
    Definition(
        "effective degrees of freedom",
        "By Welch and Satterthwaite from those of the inputs; kept fractional unless truncation is asked for.",
        GUM,
    ),
    Definition("expanded uncertainty", "Coverage factor times combined standard uncertainty.", GUM),
    Definition(
        "random trials",
        "All inputs drawn jointly from their distributions and carried through the model, with as many trials as the "
        "digits asked for need.",
        GUM_1,
    ),
    Definition(
        "agreement of first order and trials",
        "Both ends of the interval lie within half a unit of the last digit that counts.",
        GUM_1,
    ),
    Definition(
        "random and systematic",
        "Random inputs take another value at the next run; systematic ones keep theirs and do not average out.",
        "common practice, no source",
    ),
)

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
        Option("level", "number", "Of the expanded uncertainty.", default=0.95),
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
        Option("trials", "count", "Random trials, instead of as many as the digits need; 40 runs for a recording."),
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
