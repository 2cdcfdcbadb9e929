"""The wells protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import (
    Account,
    Cell,
    Column,
    Definition,
    Grid,
    Layer,
    Level,
    Picture,
    Points,
    Rows,
    Verdict,
)
from stanch.verify.scales import allowed_text, edges, no_effect, thinned
from stanch.verify.table import Table, take
from stanch.verify.wells.bias import Wells, well_bias
from stanch.verify.words import counted

__all__ = ["PROTOCOL"]

QUESTION = "Do all wells read the same sample alike?"


def _run(table: Table, **s: Any) -> Account:
    optional = tuple(s[k] for k in ("run", "level") if s[k])
    taken = take(
        table,
        numbers=(s["result"],),
        labels=(s["sample"], s["well"], *optional),
        treatment="Mean biases need numbers: results known only as a bound are refused, not guessed.",
    )
    found = well_bias(
        taken.numbers[s["result"]],
        taken.labels[s["sample"]],
        taken.labels[s["well"]],
        run=taken.labels[s["run"]] if s["run"] else None,
        level=taken.labels[s["level"]] if s["level"] else None,
        allowed=s["allowed"],
        scale=s["scale"],
        adjust=s["adjust"],
        alpha=s["alpha"],
        unit=s["unit"],
    )
    what = "ratio to the mean of all wells" if s["scale"] == "ratio" else "difference from the mean of all wells"
    verdict = Verdict(
        "All wells are equivalent",
        found.largest,
        allowed_text(s["allowed"], s["scale"], s["unit"], what),
        found.outcome,
        f"Met when the {100 * found.largest.level:.4g} % interval of every well alone lies inside the limits (a claim "
        "about all of them needs no adjustment); not met when the interval of one, adjusted as stated "
        f"({s['adjust']}), lies outside. The number shown is the well farthest off.",
    )
    return Account(
        protocol="wells",
        title="Bias and equivalence of wells",
        question=QUESTION,
        design=_design(found, s),
        data=taken.data,
        verdicts=(verdict,),
        grids=_grids(found, s, what),
        pictures=(_bias_picture(found, s), _residual_picture(found)),
        definitions=_definitions(),
        settings=dict(s),
        numbers={
            "wells": [b.well for b in found.wells],
            "bias": [b.bias for b in found.wells],
            "bias_single": [b.single for b in found.wells],
            "p": [b.p for b in found.wells],
            "p_adjusted": [b.adjusted for b in found.wells],
            "p_all": found.p_all,
            "largest_pair": found.largest_pair,
            "pair": list(found.pair),
            "f": found.f,
            "p_f": found.p_f,
            "interaction_f": found.interaction_f,
            "interaction_p": found.interaction_p,
            "by_level": {name: list(row) for name, row in found.by_level.items()},
            "residual_sd": found.residual_sd,
            "replicate_sd": found.replicate_sd,
            "p_homogeneity": found.homogeneity,
            "df": found.df,
        },
        warnings=_warnings(found, s),
    )


def _design(found: Wells, s: dict[str, Any]) -> tuple[str, ...]:
    return (
        f"{found.samples} samples in {len(found.wells)} wells, {counted(found.runs, 'run')}: {found.cells} cells of "
        f"sample, run and well, {found.n} results.",
        "The same reagents in every well; samples rotated over wells.",
        "Least squares with sample"
        + (", run" if s["run"] else "")
        + " and well"
        + (", on logarithms" if s["scale"] == "ratio" else "")
        + "; the scatter of samples about it is the error of a bias (samples are random).",
    )


def _grids(found: Wells, s: dict[str, Any], what: str) -> tuple[Grid, ...]:
    heads = (what, "alone", "p alone", "p adjusted", "cells", "SD of residuals")
    rows: list[tuple[Cell, ...]] = [(b.well, b.bias, b.single, b.p, b.adjusted, b.n, b.sd) for b in found.wells]
    level = (
        (
            ("F, bias depends on level", found.interaction_f),
            ("p of bias depending on level", found.interaction_p),
        )
        if s["level"] is not None
        else ()
    )
    whole: tuple[tuple[Cell, ...], ...] = (
        (f"largest between two wells: {found.pair[0]} and {found.pair[1]}", found.largest_pair),
        ("p that all wells are equivalent", found.p_all),
        ("F, no difference between wells", found.f),
        ("p of F", found.p_f),
        *level,
        ("SD of cells about the fit, working scale", found.residual_sd),
        ("SD of replicates in a cell, working scale", found.replicate_sd),
        ("p of equal scatter in all wells", found.homogeneity),
    )
    grids = [
        Grid("Bias of every well", (Column("well"), *(Column(h) for h in heads)), tuple(rows)),
        Grid("All wells together", (Column("quantity"), Column("value")), whole),
    ]
    if found.by_level:
        grids.append(
            Grid(
                "Bias by level",
                (Column("well"), *(Column(name) for name in found.by_level)),
                tuple((b.well, *(row[k] for row in found.by_level.values())) for k, b in enumerate(found.wells)),
                "Interval for each number alone.",
            )
        )
    return tuple(grids)


def _bias_picture(found: Wells, s: dict[str, Any]) -> Picture:
    layers: list[Layer] = [
        Rows(
            tuple(b.well for b in found.wells),
            tuple(b.bias.value for b in found.wells),
            tuple(b.bias.low for b in found.wells),
            tuple(b.bias.high for b in found.wells),
        ),
        Level(no_effect(s["scale"]), "mean of all wells", "x", "zero"),
    ]
    lower, upper = edges(s["allowed"], s["scale"])
    if lower is not None and upper is not None:
        ends = (np.exp(lower), np.exp(upper)) if s["scale"] == "ratio" else (lower, upper)
        layers += [Level(float(end), "allowed", "x") for end in ends]
    label = "ratio [-]" if s["scale"] == "ratio" else f"difference [{s['unit'] or '-'}]"
    return Picture(
        "Wells against their mean",
        label,
        "well",
        tuple(layers),
        caption=f"Whiskers: {100 * found.wells[0].bias.level:.4g} % interval of each well (adjustment: {s['adjust']}).",
        alt="; ".join(f"well {b.well}: {b.bias.value:.4g}" for b in found.wells[:8]) + ".",
    )


def _residual_picture(found: Wells) -> Picture:
    x, y = thinned(found.cell_well, found.fit.residuals)
    thin = f" {len(x)} of {found.cells} cells are drawn." if found.cells > len(x) else ""
    p = found.homogeneity
    return Picture(
        "Scatter in every well",
        "well",
        "residual, working scale",
        (Points(x, y, "cells", faint=True), Level(0.0, "", kind="zero")),
        caption=f"Cells about the fit of sample, run and well.{thin}",
        alt="Too few cells to compare the scatter." if p is None else f"Equal scatter in all wells: p = {p:.3g}.",
        x_names=tuple(b.well for b in found.wells),
    )


def _definitions() -> tuple[Definition, ...]:
    return (
        Definition(
            "bias of a well",
            "Its effect in the fit, the effects of all wells summing to zero: the mean of all wells is the reference, "
            "not a true value.",
            "common practice, no source",
        ),
        Definition(
            "all wells equivalent",
            "Every well's two one-sided tests reject at alpha. As a claim about all of them at once this needs no "
            "adjustment; statements on single wells, that one is apart among them, are adjusted as stated.",
            "Berger RL. Technometrics 24:295-300 (1982), from memory",
        ),
        Definition(
            "scatter in wells",
            "Brown-Forsythe test on residuals, which are slightly dependent: approximate.",
            "Brown MB, Forsythe AB. J Am Stat Assoc 69:364-367 (1974), from memory; computed by SciPy",
        ),
    )


def _warnings(found: Wells, s: dict[str, Any]) -> tuple[str, ...]:
    out = []
    if found.outcome != "met":
        out.append(
            "Equivalence of the wells is not shown. Contrasts between wells take it for granted: without it a "
            "difference of reagents and a difference of wells cannot be told apart."
        )
    if s["level"] is None:
        out.append("No level was named: bias that depends on the level was not looked for.")
    elif found.interaction_p is not None and found.interaction_p < 0.05:
        out.append(f"The bias of wells depends on the level (p = {found.interaction_p:.3g}): read the table by level.")
    if found.homogeneity is not None and found.homogeneity < 0.05:
        out.append(
            f"Wells scatter differently (p = {found.homogeneity:.3g}): one interval for all is then too short "
            "for the worse wells."
        )
    return tuple(out)


PROTOCOL = Protocol(
    "wells",
    QUESTION,
    "Results of the same samples with the same reagents in several wells, one result per row.",
    (
        Option("result", "column", "Column with the results.", required=True),
        Option("sample", "column", "Column naming the sample.", required=True),
        Option("well", "column", "Column naming the well.", required=True),
        Option("run", "column", "Column naming the run, where a sample is not in all wells at once."),
        Option("level", "column", "Column with the level of the sample, for bias that depends on it."),
        Option("allowed", "number", "Largest bias of a well: a ratio above 1, or a difference."),
        Option("scale", "choice", "Ratios or differences.", default="ratio", choices=("ratio", "difference")),
        Option(
            "adjust",
            "choice",
            "How statements on single wells allow for looking at all.",
            default="bonferroni",
            choices=("bonferroni", "holm", "none"),
        ),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05),
        Option("unit", "text", "Unit of the results.", default=""),
    ),
    _run,
)
