"""From what was propagated and drawn to the account: design, verdicts, warnings and numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from stanch.verify.budget._grids import contributions_grid, correlations_grid, inputs_grid, results_grid, runs_grid
from stanch.verify.budget._pictures import histogram, ranked_picture, runs_picture
from stanch.verify.budget._words import DEFINITIONS, QUESTION
from stanch.verify.budget.first_order import FirstOrder, Propagated
from stanch.verify.budget.inputs import Input
from stanch.verify.budget.monte_carlo import Distribution, MonteCarlo, Validation, validate
from stanch.verify.budget.runs import RunCheck
from stanch.verify.records import Account, Bounded, DataUsed, Outcome, Verdict


def account(
    first: Propagated,
    drawn: MonteCarlo,
    runs: tuple[RunCheck, ...],
    inputs: Sequence[Input],
    data: DataUsed,
    given: Mapping[str, Any],
) -> Account:
    """The account of a budget."""
    unit, pipeline = given["unit"], given["design"] == "pipeline"
    checks = {}
    if not pipeline and drawn.trials >= 1000:
        checks = {
            one.output: validate(one, drawn[one.output], digits=given["digits"], interval=given["interval"])
            for one in first.results
        }
    grids = [results_grid(first, drawn, checks, unit, given)]
    pictures = []
    for one in first.results:
        grids.append(contributions_grid(one, unit, len(first.results) > 1))
        pictures.append(ranked_picture(one, unit))
        if not pipeline:
            pictures.append(histogram(one, drawn[one.output], unit, given["interval"]))
    if runs:
        grids.append(runs_grid(first, runs, unit))
        pictures += [runs_picture(check, unit) for check in runs]
    if len(first.results) > 1:
        grids.append(correlations_grid(first, drawn))
    grids.append(inputs_grid(inputs))
    warnings = _warnings(first, drawn, checks, runs, inputs, unit)
    return Account(
        protocol="budget",
        title={
            "stated": "Uncertainty budget",
            "sets": "Uncertainty budget of quantities read together",
            "pipeline": "Uncertainty budget of a recording analysed again",
        }[given["design"]],
        question=QUESTION,
        design=_design(first, drawn, inputs, given),
        data=data,
        verdicts=tuple(
            _verdict(one, drawn[one.output], _agree(drawn[one.output], checks, runs), given) for one in first.results
        ),
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


def _agree(mc: Distribution, checks: Mapping[str, Validation], runs: tuple[RunCheck, ...]) -> bool:
    """Whether trials or runs bear first order out; true where a stated number of trials may be too few to say."""
    if mc.output in checks:
        return checks[mc.output].valid or mc.tolerance is None
    return all(run.agrees for run in runs if run.output == mc.output)


def _verdict(one: FirstOrder, mc: Distribution, agree: bool, given: Mapping[str, Any]) -> Verdict:
    unit, allowed, relative = given["unit"], given["allowed"], given["allowed_percent"]
    name = "the reading" if one.output == "y" else one.output
    claim = f"The expanded uncertainty of {name} is small enough"
    rule = f"Met when the expanded uncertainty, of {100 * one.level:g} % coverage, does not exceed what is allowed."
    expanded, runs = one.expanded, given["design"] == "pipeline"
    if not agree and runs:
        rule += " The runs do not confirm first order, so nothing is claimed."
    elif not agree and given["coverage_factor"] is not None:
        expanded = one.k * mc.u
        rule += " First order does not hold here: the standard uncertainty of the random trials is judged instead."
    elif not agree:
        low, high = mc.shortest if given["interval"] == "shortest" else (mc.low, mc.high)
        expanded = (high - low) / 2
        rule += " First order does not hold here: half the interval of the random trials is judged instead."
    found, limit, text = Bounded(expanded, unit=unit, level=one.level), allowed, ""
    if allowed is not None:
        text = f"at most {allowed:g} {unit}".strip()
    elif relative is not None:
        limit, text = relative, f"at most {relative:g} % of the value"
        if one.value == 0:
            return Verdict(claim, Bounded.missing("The value is zero; a percentage of it means nothing.", "%"), text,
                           "undecided", rule)  # fmt: skip
        found = Bounded(100 * expanded / abs(one.value), unit="%", level=one.level)
    outcome: Outcome = "no limit stated"
    if limit is not None:
        assert found.value is not None
        outcome = "met" if found.value <= limit else "not met"
        if runs and not agree:
            outcome = "undecided"
    return Verdict(claim, found, text, outcome, rule)


def _warnings(
    first: Propagated,
    drawn: MonteCarlo,
    checks: Mapping[str, Validation],
    runs: tuple[RunCheck, ...],
    inputs: Sequence[Input],
    unit: str,
) -> tuple[str, ...]:
    found = [
        f"First order and random trials disagree{'' if name == 'y' else f' for {name}'} by more than "
        f"{f'{check.tolerance:g} {unit}'.strip()}: use the interval of the trials."
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
