"""The linearity protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import InputError, UsageError
from stanch.verify.equivalence import outcome, together
from stanch.verify.linearity.deviation import Deviation, deviation_of_means, deviation_of_polynomial, lack_of_fit_of
from stanch.verify.linearity.pictures import pictures
from stanch.verify.linearity.recovery import recovery_of_mixtures, recovery_of_values
from stanch.verify.linearity.span import Span, useful_range
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, Bounded, Cell, Column, Definition, Grid, Outcome, Verdict
from stanch.verify.table import Table, Taken, left_out, take

__all__ = ["PROTOCOL"]

QUESTION = "Do results follow the level in a straight line, as far as it matters?"
MOST_LEVELS = 200
POLYNOMIAL, MEANS = "polynomial", "level-means"

LEFT_OUT = "Levels at an end of the range that hold a censored result are left out whole: their mean would be biased."
REFUSED = "A straight line needs numbers: censored results are refused. With --censored leave-out the end levels go."


def _run(table: Table, **given: Any) -> Account:
    level, result, unit, confidence = given["level"], given["result"], given["unit"], given["confidence"]
    drop = given["censored"] == "leave-out"
    taken = take(
        table,
        numbers=(level, result),
        censored="keep" if drop else "refuse",
        treatment=LEFT_OUT if drop else REFUSED,
    )
    taken = _without_censored_ends(taken, level, result)
    x, y = taken.numbers[level], taken.numbers[result]
    limits = {"absolute": given["allowed"], "percent": given["allowed_percent"]}
    common = {"weights": given["weights"].replace("-", " "), "confidence": confidence, **limits}
    if given["design"] == POLYNOMIAL:
        found = deviation_of_polynomial(x, y, order=given["order"], **common)
    else:
        found = deviation_of_means(x, y, **common)
    span = useful_range(found, **limits)
    shown = span if span is None or span.shown else useful_range(found, intervals=True, **limits)
    mixed = given["levels_are"] == "ratio"
    recover = recovery_of_mixtures if mixed else recovery_of_values
    few = found.levels.x.size <= MOST_LEVELS
    few = few and given["levels_are"] != "amount"
    recovery = recover(found.levels, confidence=confidence) if few else ()
    level_unit = given["level_unit"] or {"ratio": "1", "value": unit, "amount": ""}[given["levels_are"]]
    spans = {"useful_range": span, "useful_range_shown": shown}
    return Account(
        protocol="linearity",
        title="Linearity",
        question=QUESTION,
        design=_design(found, given),
        data=taken.data,
        verdicts=_verdicts(found, recovery, span, given, level_unit),
        grids=(_levels_grid(found, recovery, unit, level_unit), _fits_grid(found), _range_grid(spans, level_unit)),
        pictures=pictures(found, x, y, span, x_label=f"level [{level_unit or '-'}]", unit=unit),
        definitions=DEFINITIONS,
        settings=dict(given),
        numbers=_numbers(found, recovery, spans),
        warnings=_warnings(found, span, given),
    )


def _without_censored_ends(taken: Taken, level: str, result: str) -> Taken:
    """Whole levels, from the ends inwards, that hold a bound."""
    if (taken.below[level] | taken.above[level]).any():
        raise InputError(f"column {level}", got="a level known only as a bound", allowed="numbers")
    bound = taken.below[result] | taken.above[result]
    if not bound.any():
        return taken
    x = taken.numbers[level]
    clean = np.setdiff1d(np.unique(x), np.unique(x[bound]))
    if clean.size == 0:
        raise InputError(f"column {result}", got="a bound at every level", allowed="at least 3 levels of numbers")
    inner = bound & (x > clean[0]) & (x < clean[-1])
    if inner.any():
        raise InputError(
            f"column {result}, row {int(taken.row[np.flatnonzero(inner)[0]])}",
            got="a value known only as a bound inside the range",
            allowed="bounds at the ends of the range only",
            do="Measure that level again.",
        )
    keep = (x >= clean[0]) & (x <= clean[-1])
    data = left_out(taken.data, taken.row[~keep], "level at an end of the range with a censored result")
    numbers = {name: values[keep] for name, values in taken.numbers.items()}
    below = {name: values[keep] for name, values in taken.below.items()}
    above = {name: values[keep] for name, values in taken.above.items()}
    return Taken(numbers, below, above, taken.labels, taken.row[keep], data)


def _design(found: Deviation, given: dict[str, Any]) -> tuple[str, ...]:
    n = found.levels.n
    each = f"{n.min()}" if n.min() == n.max() else f"{n.min()} to {n.max()}"
    kind = {"ratio": "mixing ratios", "value": "assigned values", "amount": "amounts"}[given["levels_are"]]
    analysis = (
        f"Straight line and polynomials up to order {found.orders[-1].order}; the deviation is the last minus the line."
        if found.orders
        else "Straight line through the level means; the deviation is level mean minus line."
    )
    return (
        f"{found.levels.x.size} levels ({kind}), {each} readings each, {found.levels.readings} in all.",
        analysis,
        f"Weights: {given['weights'].replace('-', ' ')}. Intervals of {100 * found.confidence:g} %, level by level.",
    )


def _verdicts(
    found: Deviation, recovery: tuple[Bounded, ...], span: Span | None, given: dict[str, Any], level_unit: str
) -> tuple[Verdict, ...]:
    unit = given["unit"]
    parts = []
    if given["allowed"] is not None:
        parts.append(f"{given['allowed']:g} {unit}".strip())
    if given["allowed_percent"] is not None:
        parts.append(f"{given['allowed_percent']:g} % of the line")
    allowed = "deviation at every level within ±" + " or ".join(parts) + (", the larger" if len(parts) > 1 else "")
    where = f"{found.levels.x[found.worst]:g} {level_unit}".strip()
    value = found.at(found.worst, unit=unit) if found.allowed is None else found.share(found.worst)
    of = "largest deviation" if found.allowed is None else "largest deviation, in percent of the allowed one"
    verdicts = [
        Verdict(
            f"Results are linear ({of}, at level {where})",
            value,
            allowed if parts else "",
            found.outcome,
            f"Met when the {100 * found.confidence:g} % interval of the deviation lies inside at every level, not met "
            "when it lies outside at one. Whether curvature is significant does not enter.",
        )
    ]
    verdicts += _range_verdict(span, given, level_unit) + _recovery_verdict(recovery, given)
    return tuple(verdicts)


def _range_verdict(span: Span | None, given: dict[str, Any], unit: str) -> list[Verdict]:
    low, high = given["wanted_low"], given["wanted_high"]
    if low is None and high is None:
        return []
    parts = ([] if low is None else [f"from {low:g}"]) + ([] if high is None else [f"to {high:g}"])
    wanted = " ".join(parts)
    rule = (
        "Met when the range in which the whole interval is inside holds the wanted one, not met when the useful range"
    )
    rule += " itself does not hold it."
    if span is None:
        missing = Bounded.missing("No run of levels lies inside what is allowed, or nothing was stated.", unit)
        state: Outcome = "no limit stated" if given["allowed"] is given["allowed_percent"] is None else "not met"
        return [Verdict("The useful range holds the wanted range", missing, f"{wanted} {unit}".strip(), state, rule)]
    holds = (low is None or span.low <= low) and (high is None or span.high >= high)
    state = ("met" if span.shown else "undecided") if holds else "not met"
    value = Bounded(None, span.low, span.high, unit, why="A range has two ends and no value.")
    claim = f"The useful range, {span.low:g} to {span.high:g}, holds the wanted range"
    return [Verdict(claim, value, f"{wanted} {unit}".strip(), state, rule)]


def _recovery_verdict(recovery: tuple[Bounded, ...], given: dict[str, Any]) -> list[Verdict]:
    edge = given["allowed_recovery"]
    if edge is not None and given["levels_are"] == "amount":
        raise UsageError(
            "option --allowed-recovery",
            got="given with amounts",
            allowed="assigned values or mixing ratios",
            do="An amount in a unit of its own has no recovery.",
        )
    known = [r for r in recovery if r.value is not None]
    if edge is None or not known:
        return []
    state = together(outcome(r, 100 - edge, 100 + edge) for r in known)
    worst = max(known, key=lambda r: abs((r.value or 0.0) - 100))
    rule = f"Met when the {100 * worst.level:g} % interval lies inside at every level, not met when outside at one."
    return [
        Verdict(
            "Recovery is near enough to 100 % at every level (shown: the furthest)",
            worst,
            f"100 ± {edge:g} %",
            state,
            rule,
        )
    ]


def _levels_grid(found: Deviation, recovery: tuple[Bounded, ...], unit: str, level_unit: str) -> Grid:
    columns = (
        Column("level", level_unit),
        Column("readings"),
        Column("mean", unit),
        Column("standard deviation", unit),
        Column("line", unit),
        Column("deviation", unit),
        Column("allowed", unit),
        Column("of the allowed", "%"),
        Column("recovery", "%"),
    )
    levels, line, rows = found.levels, found.line.at(found.levels.x).value, []
    for k in range(min(levels.x.size, MOST_LEVELS)):
        row: tuple[Cell, ...] = (
            float(levels.x[k]),
            int(levels.n[k]),
            float(levels.mean[k]),
            float(levels.sd[k]) if levels.n[k] > 1 else None,
            float(line[k]),
            found.at(k, unit=unit),
            None if found.allowed is None else float(found.allowed[k]),
            None if found.allowed is None else found.share(k).value,
            recovery[k] if recovery else None,
        )
        rows.append(row)
    more = levels.x.size - MOST_LEVELS
    return Grid("Levels", columns, tuple(rows), f"{more} further levels are not listed." if more > 0 else "")


def _fits_grid(found: Deviation) -> Grid:
    columns = (
        Column("fit"),
        Column("coefficient"),
        Column("value"),
        Column("p against zero"),
        Column("standard deviation about the fit"),
    )
    names = ("intercept", "slope", "square", "cube")
    rows: list[tuple[Cell, ...]] = []
    for fit in [o.fit for o in found.orders] or [found.line]:
        for power in range(fit.order + 1):
            shown = fit.coefficient(power, level=found.confidence)
            rows.append((f"order {fit.order}", names[power], shown, fit.p_value(power), fit.residual_sd))
    lack = lack_of_fit_of(found.levels)
    note = "No repeated readings, so no test of lack of fit."
    if lack is not None and lack.f is not None:
        note = f"Lack of fit of the straight line: F({lack.df_fit}, {lack.df_error}) = {lack.f:.4g}, p = {lack.p:.4g}."
    elif lack is not None:
        note = "Repeated readings do not scatter at all, so there is no test of lack of fit."
    return Grid("Fits", columns, tuple(rows), note)


def _range_grid(spans: dict[str, Span | None], unit: str) -> Grid:
    names = {"useful_range": "deviation inside", "useful_range_shown": "whole interval inside"}
    rows = tuple(
        (names[key], span.low if span else None, span.high if span else None, span.last - span.first + 1 if span else 0)
        for key, span in spans.items()
    )
    columns = (Column("run of levels with the"), Column("from", unit), Column("to", unit), Column("levels"))
    anew = all(span is None or span.refitted for span in spans.values())
    note = "The line is fitted anew to each run of levels." if anew else "The one line through all levels is kept."
    return Grid("Useful range", columns, rows, note)


def _numbers(found: Deviation, recovery: tuple[Bounded, ...], spans: dict[str, Span | None]) -> dict[str, Any]:
    lack, few = lack_of_fit_of(found.levels), slice(0, MOST_LEVELS)
    return {
        "outcome": found.outcome,
        "largest_deviation": found.at(found.worst),
        "largest_deviation_level": float(found.levels.x[found.worst]),
        "largest_deviation_of_allowed": found.share(found.worst),
        "intercept": found.line.coefficient(0, level=found.confidence),
        "slope": found.line.coefficient(1, level=found.confidence),
        "residual_sd": found.line.residual_sd,
        "r_squared": found.line.r_squared,
        "orders": [
            {
                "order": o.order,
                "coefficients": o.fit.coefficients.tolist(),
                "se": o.fit.se.tolist(),
                "residual_sd": o.fit.residual_sd,
                "df": o.fit.df,
                "p_top": o.p_top,
            }
            for o in found.orders
        ],
        "lack_of_fit": None
        if lack is None
        else {"f": lack.f, "p": lack.p, "df_fit": lack.df_fit, "df_error": lack.df_error, "error_sd": lack.error_sd},
        "levels": [
            {"level": float(x), "n": int(n), "mean": float(m), "sd": float(s)}
            for x, n, m, s in zip(
                found.levels.x[few], found.levels.n[few], found.levels.mean[few], found.levels.sd[few], strict=True
            )
        ],
        "deviation": [found.at(k) for k in range(min(found.levels.x.size, MOST_LEVELS))],
        "allowed": None if found.allowed is None else found.allowed[few].tolist(),
        "recovery": list(recovery),
        **{k: None if s is None else {"low": s.low, "high": s.high, "refitted": s.refitted} for k, s in spans.items()},
    }


def _warnings(found: Deviation, span: Span | None, given: dict[str, Any]) -> tuple[str, ...]:
    said = []
    if not found.judged:
        said.append("No reading is repeated: deviation and scatter cannot be told apart, nothing is decided.")
    if found.levels.x.size > MOST_LEVELS:
        said.append(
            f"{found.levels.x.size} different levels: the table lists the first {MOST_LEVELS}, recovery is left out,"
            " and the useful range keeps the one line through all of them."
        )
    if found.orders and found.orders[-1].order < given["order"]:
        said.append(f"The levels carry a polynomial of order {found.orders[-1].order} only.")
    if found.levels.x.size < 5:
        said.append("Fewer than five levels see little of a curve.")
    if given["weights"] == "by-level" and found.levels.n.min() < 6:
        said.append(
            "Weights from so few readings per level are themselves uncertain; the intervals are too narrow then."
        )
    if span is not None and not span.shown:
        said.append("The useful range goes by the deviations; their intervals reach outside somewhere in it.")
    return tuple(said)


DEFINITIONS = (
    Definition(
        "deviation from linearity",
        "At each level the fitted curve (or the level mean) minus the straight line fitted to the same readings.",
        "Polynomials: Kroll MH, Emancipator K. Clin Chem 39:405-413 (1993), and the first edition of EP06 (2003), from"
        " memory. Level means: second edition of EP06 (2020), which drops the polynomials, from memory.",
    ),
    Definition(
        "allowed deviation",
        "The laboratory's own: an absolute part, or percent of the line's value at the level, the larger of both.",
        "common practice, no source",
    ),
    Definition(
        "lack of fit",
        "Mean square of the level means about the line over that of repeated readings about their mean, as F.",
        "Draper NR, Smith H. Applied Regression Analysis, from memory",
    ),
    Definition(
        "recovery",
        "Mean in percent of the assigned value; for mixtures, of what the lowest and highest level mixed should give.",
        "common practice, no source",
    ),
    Definition(
        "useful range",
        "Longest run of neighbouring levels, at least three, in which a line fitted to it alone leaves no deviation"
        " above the allowed one.",
        "own definition",
    ),
)

PROTOCOL = Protocol(
    "linearity",
    QUESTION,
    "One reading per row, with its level as assigned value, mixing ratio or amount.",
    (
        Option("design", "choice", "How the deviation is found.", default=POLYNOMIAL, choices=(POLYNOMIAL, MEANS)),
        Option("level", "column", "Column with the level: assigned value, mixing ratio or amount.", required=True),
        Option("result", "column", "Column with the results.", required=True),
        Option(
            "levels-are",
            "choice",
            "Assigned values in the unit of the results, mixing ratios, or amounts on a scale of their own.",
            default="value",
            choices=("value", "ratio", "amount"),
        ),
        Option("allowed", "number", "Allowed deviation, in the unit of the results."),
        Option("allowed-percent", "number", "Allowed deviation in percent of the line; the larger of both counts."),
        Option("allowed-recovery", "number", "Allowed distance of recovery from 100 %, in %."),
        Option("wanted-low", "number", "Lowest level the range must hold, in the unit of the level."),
        Option("wanted-high", "number", "Highest level the range must hold, in the unit of the level."),
        Option("order", "count", "Highest order of the polynomial: 2 or 3.", default=3, designs=(POLYNOMIAL,)),
        Option(
            "weights",
            "choice",
            "Equal, from the scatter at each level, or for a constant coefficient of variation.",
            default="equal",
            choices=("equal", "by-level", "proportional"),
        ),
        Option(
            "censored",
            "choice",
            "Refuse results known as a bound, or leave out end levels that hold one.",
            default="refuse",
            choices=("refuse", "leave-out"),
        ),
        Option(
            "confidence",
            "number",
            "Probability of the intervals; 0.9 makes each end a one-sided 95 % limit.",
            default=0.9,
        ),
        Option("unit", "text", "Unit of the results, as it should be printed.", default=""),
        Option("level-unit", "text", "Unit of the level, as it should be printed.", default=""),
    ),
    _run,
)
