"""The quantitation design: the coefficient of variation against the level."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stanch.errors import InputError
from stanch.verify.detection import _parts as parts
from stanch.verify.detection._parts import Given, Part
from stanch.verify.detection.quantitation import QuantitationLimit, limit_of_quantitation
from stanch.verify.detection.scatter import group_scatter
from stanch.verify.intervals import sd_interval
from stanch.verify.records import Cell, Column, DataUsed, Definition, Grid, Layer, Level, Line, Picture, Points, Verdict
from stanch.verify.scales import every
from stanch.verify.table import Table, take

REFUSED = "The scatter of every sample is wanted: bounds are refused."


def from_variation(table: Table, given: Given) -> Part:
    parts.needed(given, "allowed-cv")
    goal = float(given["allowed_cv"])
    level, sd, df, names, data = _samples(table, given)
    unit = given["unit"]
    found = limit_of_quantitation(level, sd, df, cv=goal, form=given["form"], confidence=given["confidence"], unit=unit)
    claim = f"The limit of quantitation, at a CV of {goal:g} %, is low enough"
    function = found.function
    rows = [_row(k, names, level, sd, df, found, given) for k in range(min(level.size, parts.MOST_ROWS))]
    more = level.size - len(rows)
    columns = (
        Column("sample"),
        Column("mean", unit),
        Column("SD", unit),
        Column("degrees of freedom"),
        Column("CV", "%"),
        Column("fitted CV", "%"),
    )
    note = f"Fitted SD: {function.form}; {_shape(found)}. {function.rule}"
    note += f" {more} further samples are not listed." if more else ""
    warnings = [found.limit.why] if found.limit.why else []
    if function.lack_p is not None and function.lack_p < 0.05:
        warnings.append(f"The SDs do not follow the fitted form (p = {function.lack_p:.2g}).")
    return Part(
        title="Limit of quantitation",
        design=(
            f"{level.size} samples, {float(df.sum()):g} degrees of freedom in all.",
            "Standard deviation fitted against the level by the likelihood of the standard deviations.",
        ),
        data=data,
        verdicts=(_judged(claim, found, given["allowed_quantitation"], unit),),
        grids=(Grid("Variation by level", columns, tuple(rows), note),),
        pictures=(_picture(found, level, sd, unit),),
        definitions=DEFINITIONS,
        numbers={
            "limit_of_quantitation": found.limit,
            "form": function.form,
            "parameters": dict(function.parameters),
            "lack_of_fit": function.lack_of_fit,
            "lack_df": function.lack_df,
            "lack_p": function.lack_p,
            "extrapolated": found.extrapolated,
        },
        warnings=tuple(warnings),
    )


def _judged(claim: str, found: QuantitationLimit, allowed: float | None, unit: str) -> Verdict:
    made = parts.at_most(claim, found.limit, allowed, unit)
    if made.outcome != "met" or allowed is None or allowed >= found.function.low:
        return made
    # The fitted line goes on below the samples; what it says there was seen by nobody.
    why = f" The lowest level measured, {found.function.low:g}, is above what is allowed: nothing was seen there."
    return replace(made, outcome="undecided", rule=made.rule + why)


def _samples(table: Table, given: Given) -> tuple[parts.Floats, parts.Floats, parts.Floats, list[str], DataUsed]:
    if given["sd"] is not None:
        columns = parts.needed(given, "concentration", "sd", "df")
        taken = take(table, numbers=columns, treatment=REFUSED)
        rows = [f"row {r}" for r in taken.row[: parts.MOST_ROWS]]
        level, sd, df = (taken.numbers[c] for c in columns)
        return level, sd, df, rows, taken.data
    result, sample = parts.needed(given, "result", "sample")
    taken = take(table, numbers=(result,), labels=(sample,), treatment=REFUSED)
    level, sd, df, names = _by_sample(taken.numbers[result], taken.labels[sample])
    return level, sd, df, names, taken.data


def _by_sample(
    x: parts.Floats, sample: np.ndarray[tuple[int], np.dtype[np.str_]]
) -> tuple[parts.Floats, parts.Floats, parts.Floats, list[str]]:
    groups = group_scatter(x, sample)
    use = groups.n > 1
    if not use.any():
        raise InputError("samples", got="one result of each", allowed="samples with two results or more")
    names = [str(name) for name in groups.names[use]]
    return groups.mean[use], groups.sd[use], np.asarray(groups.n[use] - 1.0, dtype=np.float64), names


def _row(
    k: int,
    names: list[str],
    level: parts.Floats,
    sd: parts.Floats,
    df: parts.Floats,
    found: QuantitationLimit,
    given: Given,
) -> tuple[Cell, ...]:
    at = float(level[k])
    fitted = float(found.function.sd_at(at))
    shown = sd_interval(float(sd[k]), float(df[k]), level=given["confidence"], unit=given["unit"])
    cv, fit = (100 * float(sd[k]) / at, 100 * fitted / at) if at > 0 else (None, None)
    return (names[k], at, shown, float(df[k]), cv, fit)


def _shape(found: QuantitationLimit) -> str:
    return ", ".join(f"{name} = {value:.6g}" for name, value in found.function.parameters.items())


def _picture(found: QuantitationLimit, level: parts.Floats, sd: parts.Floats, unit: str) -> Picture:
    above = level > 0
    pick, thinned = every(int(above.sum()), "sample")
    x, cv = level[above][pick], 100 * sd[above][pick] / level[above][pick]
    layers: list[Layer] = [Points(parts.line(x), parts.line(cv), "samples", series=1)]
    if x.size:
        low, high = float(x.min()), float(x.max())
        if found.limit.value is not None and found.limit.value > 0:
            low, high = min(low, max(found.limit.value, low / 10)), max(high, min(found.limit.value, 10 * high))
        grid = np.geomspace(low, high, 101) if low < high else np.array([low])
        with np.errstate(over="ignore", under="ignore"):
            fitted = 100 * found.function.sd_at(grid) / grid
        grid, fitted = grid[np.isfinite(fitted)], fitted[np.isfinite(fitted)]
        layers.append(Line(parts.line(grid), parts.line(fitted), f"fitted: {found.function.form}"))
    layers.append(Level(found.cv, "allowed"))
    if found.limit.value is not None and found.limit.value > 0:
        layers.append(Level(found.limit.value, "limit of quantitation", axis="x", kind="warning"))
    return Picture(
        "Coefficient of variation against level",
        f"mean [{unit or '-'}]",
        "coefficient of variation [%]",
        tuple(layers),
        f"The limit of quantitation is where the fitted line falls below what is allowed for good.{thinned}",
        f"Limit of quantitation {parts.words(found.limit.value)} {unit}".strip() + f" at {found.cv:g} %.",
        x_scale="log" if x.size else "linear",
    )


DEFINITIONS = (
    Definition(
        "limit of quantitation",
        "Lowest level from which on the coefficient of variation of the fitted variance function stays at or below the"
        " allowed one. Bias is not part of it.",
        "Guideline EP17, from memory (goal for imprecision)",
    ),
    Definition(
        "variance function",
        "Standard deviation against the level: constant, proportional, both, or a power.",
        "Davidian M, Carroll RJ. J Am Stat Assoc 82:1079-1091 (1987), from memory",
    ),
)
