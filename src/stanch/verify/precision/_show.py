"""Tables, pictures, verdicts and numbers that the designs of precision share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import UsageError
from stanch.verify.equivalence import outcome
from stanch.verify.groups import ordered
from stanch.verify.precision._words import INTERMEDIATE, REPEATABILITY, REPRODUCIBILITY
from stanch.verify.precision.components import Analysis, Total
from stanch.verify.records import Bounded, Cell, Column, Grid, Level, Picture, Points, Rows, Verdict
from stanch.verify.scales import MARKS, thinned

Floats = NDArray[np.float64]


def percent(b: Bounded) -> Bounded:
    """A fraction in %."""

    def times(x: float | None) -> float | None:
        return None if x is None else 100 * x

    return Bounded(times(b.value), times(b.low), times(b.high), "%", b.level, b.why)


def verdict(what: str, level: str, found: Bounded, allowed: float, unit: str) -> Verdict:
    """A standard deviation or a coefficient of variation against the laboratory's limit."""
    if not (allowed > 0 and math.isfinite(allowed)):
        raise UsageError("allowed imprecision", got=allowed, allowed="a number above zero")
    at = f" at {level}" if level else ""
    return Verdict(
        f"The {what}{at} is small enough",
        found,
        f"at most {allowed:g} {unit if unit != '1' else ''}".strip(),
        outcome(found, None, allowed),
        f"Met when the whole {100 * found.level:g} % interval lies below the limit.",
    )


def judged(
    totals: Mapping[str, Total], level: str, settings: Mapping[str, Any], cv: Mapping[str, Bounded] | None = None
) -> list[Verdict]:
    """Every total against the limits that were stated."""
    found: list[Verdict] = []
    for name, total in totals.items():
        sd_limit = settings.get(f"allowed_{name}_sd")
        cv_limit = settings.get(f"allowed_{name}_cv")
        if sd_limit is not None:
            found.append(verdict(f"{name} SD", level, total.sd, sd_limit, total.sd.unit))
        if cv_limit is not None:
            shown = percent(total.cv if cv is None else cv[name])
            found.append(verdict(f"{name} CV", level, shown, cv_limit, "%"))
        if sd_limit is None and cv_limit is None:
            rule = "State a limit to have it judged."
            at = f" at {level}" if level else ""
            kind, value = ("SD", total.sd) if cv is None or cv[name].value is None else ("CV", percent(cv[name]))
            found.append(Verdict(f"The {name} {kind}{at} is small enough", value, "", "no limit stated", rule))
    return found


def components_grid(found: Mapping[str, Analysis], settings: Mapping[str, Any], unit: str) -> Grid:
    """The analysis of variance, one row per component and level."""
    square = f"({unit})²" if unit else ""
    columns = (
        Column("level"),
        Column("component"),
        Column("degrees of freedom"),
        Column("mean square", square),
        Column("component, as it came out", square),
        Column("component, as used", square),
        Column("standard deviation", unit),
        Column("share of variance", "%"),
        Column("REML component", square),
    )
    rows: list[tuple[Cell, ...]] = []
    for level, analysis in found.items():
        whole = sum(s.variance for s in analysis.strata)
        for k, s in enumerate(analysis.strata):
            raw: Cell = s.wald(settings["confidence"]) if settings["wald"] else s.raw
            rows.append(
                (
                    level,
                    s.name,
                    s.df,
                    s.ms,
                    raw,
                    s.variance,
                    s.sd,
                    100 * s.variance / whole if whole > 0 else None,
                    None if analysis.reml is None else analysis.reml[k],
                )
            )
    note = "The innermost component, error, is the scatter of replicates."
    if settings["wald"]:
        note += (
            " Intervals are Wald's, from the standard error; they may reach below zero and are rough for few groups."
        )
    return Grid("Components of variance", columns, tuple(rows), note)


def totals_grid(found: Mapping[str, Mapping[str, Total]], unit: str) -> Grid:
    """Standard deviations made of the components."""
    columns = (
        Column("level"),
        Column("quantity"),
        Column("standard deviation", unit),
        Column("coefficient of variation", "%"),
        Column("degrees of freedom"),
        Column("one-sided upper limit", unit),
        Column("components in it"),
    )
    rows: list[tuple[Cell, ...]] = []
    for level, totals in found.items():
        for name, t in totals.items():
            rows.append((level, name, t.sd, percent(t.cv), t.df, t.upper, " + ".join(t.parts)))
    return Grid("Precision", columns, tuple(rows), "Degrees of freedom are Satterthwaite's and stay fractional.")


def results_picture(values: Floats, groups: NDArray[np.str_] | None, name: str, level: str, unit: str) -> Picture:
    """Results by their outermost group, with the mean."""
    at = f", {level}" if level else ""
    mean = float(np.mean(values))
    names: tuple[str, ...] = ()
    if groups is None:
        place, label = np.arange(values.size, dtype=np.float64), "result in the order of the table"
    else:
        distinct, where = ordered(groups)
        place, label = where.astype(np.float64), name
        if distinct.size <= 40:
            names = tuple(str(d) for d in distinct)
    x, y = thinned(place, values, most=MARKS)
    layers: list[Points | Level] = [Points(x, y, "results", faint=True)]
    if groups is not None:
        count = np.bincount(where)
        middle = np.bincount(where, values - mean) / count + mean
        gx, gy = thinned(np.arange(count.size), middle, most=MARKS)
        layers.append(Points(gx, gy, f"mean of each {name}", series=1))
    layers.append(Level(mean, "mean", kind="mean"))
    few = f" {MARKS} of {values.size} results are drawn." if values.size > MARKS else ""
    return Picture(
        f"Results{at}",
        label,
        f"result [{unit or '-'}]",
        tuple(layers),
        caption=f"Each mark is one result. Marks of the means that scatter more than the results within let expect a "
        f"component of {name}.{few}"
        if groups is not None
        else f"Each mark is one result.{few}",
        alt=f"{values.size} results{at}, mean {mean:.4g} {unit}".strip() + ".",
        x_names=names,
    )


def components_picture(
    found: Mapping[str, Analysis], totals: Mapping[str, Mapping[str, Total]], unit: str, settings: Mapping[str, Any]
) -> Picture:
    """Standard deviations as rows with whiskers, by level, and what is allowed of them."""
    names: list[str] = []
    rows: list[Bounded] = []
    for level, analysis in found.items():
        at = f"{level}: " if level else ""
        for s in analysis.strata:
            wald = s.wald()
            names.append(f"{at}{s.name}")
            rows.append(Bounded(s.sd, _root(wald.low), _root(wald.high)))
        for name, total in totals[level].items():
            names.append(f"{at}{name} SD")
            rows.append(total.sd)
    drawn = rows[:60]
    more = f" The first 60 of {len(rows)} rows are drawn." if len(rows) > 60 else ""
    return Picture(
        "Standard deviations by source",
        f"standard deviation [{unit or '-'}]",
        "",
        (
            Rows(
                tuple(names[:60]),
                tuple(r.value for r in drawn),
                tuple(r.low for r in drawn),
                tuple(r.high for r in drawn),
            ),
            *allowed_levels(settings, "sd"),
        ),
        caption="Square roots of the components with their Wald intervals (cut at zero), then the standard deviations "
        f"made of them with the limits of the table.{more}",
        alt="; ".join(
            f"{n} {r.value:.3g}" for n, r in list(zip(names, drawn, strict=False))[:8] if r.value is not None
        ),
    )


def allowed_levels(settings: Mapping[str, Any], kind: str) -> tuple[Level, ...]:
    """Upright lines at the limits stated as standard deviations or as coefficients of variation."""
    named = ((name, settings.get(f"allowed_{name}_{kind}")) for name in (REPEATABILITY, INTERMEDIATE, REPRODUCIBILITY))
    return tuple(Level(float(limit), f"allowed {name}", axis="x") for name, limit in named if limit is not None)


def _root(x: float | None) -> float:
    return math.sqrt(max(x or 0.0, 0.0))


def analysis_numbers(
    analysis: Analysis, totals: Mapping[str, Total], cv: Mapping[str, Bounded] | None = None
) -> dict[str, Any]:
    """Everything about one level, unrounded; on the log scale with coefficients of variation of their own."""
    return {
        "n": analysis.n,
        "mean": analysis.mean,
        "balanced": analysis.balanced,
        "groups": list(analysis.groups),
        "reml_note": analysis.reml_note,
        "components": {
            s.name: {
                "df": s.df,
                "sum_of_squares": s.ss,
                "mean_square": s.ms,
                "expected_mean_square": list(s.coefficients),
                "raw": s.raw,
                "variance": s.variance,
                "standard_error": s.se,
                "wald": s.wald(),
                "reml": None if analysis.reml is None else analysis.reml[k],
            }
            for k, s in enumerate(analysis.strata)
        },
        "totals": {
            name: {
                "sd": t.sd,
                "cv": t.cv if cv is None else cv[name],
                "df": t.df,
                "variance": t.variance,
                "upper": t.upper,
                "parts": list(t.parts),
            }
            for name, t in totals.items()
        },
    }
