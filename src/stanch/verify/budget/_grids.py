"""Tables of the account of a budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from stanch.verify.budget._pictures import interval_of
from stanch.verify.budget.first_order import FirstOrder, Propagated
from stanch.verify.budget.inputs import Input
from stanch.verify.budget.monte_carlo import MonteCarlo, Validation
from stanch.verify.budget.runs import RunCheck
from stanch.verify.records import Bounded, Cell, Column, Grid


def results_grid(
    first: Propagated, drawn: MonteCarlo, checks: Mapping[str, Validation], unit: str, given: Mapping[str, Any]
) -> Grid:
    """First order and random trials, side by side."""
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
        low, high = interval_of(mc, given["interval"])
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


def contributions_grid(one: FirstOrder, unit: str, several: bool) -> Grid:
    """What each input adds, largest first."""
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


def inputs_grid(inputs: Sequence[Input]) -> Grid:
    """The inputs as they were used."""
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


def correlations_grid(first: Propagated, drawn: MonteCarlo) -> Grid:
    """How results of one model go together."""
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


def runs_grid(first: Propagated, runs: tuple[RunCheck, ...], unit: str) -> Grid:
    """What first order foretold and what the runs found."""
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
        "runs over that of what first order predicts of the same draws; they agree when it is 1 within 0.1. "
        "Remainder: root mean square of what first order leaves unexplained in single runs, as a percentage of its "
        "standard uncertainty."
    )
    return Grid("First order against runs", columns, rows, note)
