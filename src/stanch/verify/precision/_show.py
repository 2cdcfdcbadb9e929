"""Tables, pictures, verdicts and words that the designs of precision share."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.equivalence import outcome
from stanch.verify.precision.components import ERROR, Analysis, Total
from stanch.verify.records import (
    Bounded,
    Cell,
    Column,
    Definition,
    Grid,
    Level,
    Picture,
    Points,
    Rows,
    Verdict,
)
from stanch.verify.scales import MARKS, thinned
from stanch.verify.table import Table, Taken, take

Floats = NDArray[np.float64]
REPEATABILITY, INTERMEDIATE, REPRODUCIBILITY = "repeatability", "intermediate", "reproducibility"
MOST_LEVELS = 500

REFUSED = (
    "A standard deviation needs numbers: results known only as a bound are refused. Repeat the measurement within the "
    "range, choose a level inside it, or leave such rows out (--censored leave-out) and say so."
)
LEFT_OUT = (
    "Results known only as a bound were left out. What remains is cut off at the bound, so the standard deviations of "
    "the levels concerned are too small."
)

SOURCES = {
    "moments": Definition(
        "component of variance",
        "Part of the variance that a factor adds, from mean squares equated to their expectations. A component below "
        "zero is shown as it came out and counts as zero in sums.",
        "Searle SR, Casella G, McCulloch CE. Variance Components. Wiley (1992), from memory",
    ),
    "reml": Definition(
        "REML",
        "Components that maximise the residual likelihood, none below zero. In unbalanced designs they differ from "
        "those of the analysis of variance.",
        "Patterson HD, Thompson R. Biometrika 58:545-554 (1971), from memory",
    ),
    REPEATABILITY: Definition(
        "repeatability",
        "Standard deviation of results under the same conditions: same run, operator and instrument.",
        "ISO 5725-1 and JCGM 200:2012, 2.21, from memory",
    ),
    INTERMEDIATE: Definition(
        "intermediate precision",
        "Standard deviation within one laboratory over the factors named, repeatability included.",
        "ISO 5725-3 and JCGM 200:2012, 2.23, from memory",
    ),
    REPRODUCIBILITY: Definition(
        "reproducibility",
        "Standard deviation over laboratories, intermediate precision included.",
        "ISO 5725-2 and JCGM 200:2012, 2.25, from memory",
    ),
    "satterthwaite": Definition(
        "Satterthwaite limits",
        "Chi-square limits of a sum of components with fractional degrees of freedom: twice the squared sum over its "
        "variance. The mean in a coefficient of variation is taken as known.",
        "Satterthwaite FE. Biometrics Bull 2:110-114 (1946), from memory",
    ),
    "large-sample": Definition(
        "modified large-sample limits",
        "Limits of a sum of components built from the exact chi-square limits of each mean square.",
        "Graybill FA, Wang CM. J Am Stat Assoc 75:869-873 (1980); Ting N et al. J Stat Comput Simul 35:135-143 (1990); "
        "from memory",
    ),
    "henderson": Definition(
        "Henderson's method 1",
        "Sums of squares of group means, equated to their expectations; independent of the order of the factors.",
        "Henderson CR. Biometrics 9:226-252 (1953), from memory",
    ),
}


def taken(table: Table, numbers: Sequence[str], labels: Sequence[str | None], settings: Mapping[str, Any]) -> Taken:
    """The rows in use, by the censoring asked for; the design's missing options are refused here."""
    confidence = settings["confidence"]
    if not 0.5 <= confidence < 1:
        raise UsageError("option --confidence", got=confidence, allowed="0.5 to below 1")
    leave = settings["censored"] == "leave-out"
    return take(
        table,
        numbers=tuple(numbers),
        labels=tuple(name for name in labels if name),
        censored="drop" if leave else "refuse",
        treatment=LEFT_OUT if leave else REFUSED,
    )


def need(settings: Mapping[str, Any], *keys: str) -> None:
    """Refuse a design whose options are incomplete."""
    for key in keys:
        if not settings[key]:
            raise UsageError(
                f"option --{key.replace('_', '-')}",
                got="nothing",
                allowed=f"a value for the design {settings['design']}",
                do="Give it.",
            )


def ordered(labels: NDArray[np.str_]) -> tuple[NDArray[np.str_], NDArray[np.intp]]:
    """Distinct names, by size where they are numbers, and the place of each row's."""
    names, place = np.unique(labels, return_inverse=True)
    try:
        size = names.astype(np.float64)
    except ValueError:
        return names, place.reshape(-1)
    order = np.argsort(size, kind="stable")
    rank = np.empty(order.size, dtype=np.intp)
    rank[order] = np.arange(order.size)
    return names[order], rank[place.reshape(-1)]


def parts_by_level(labels: NDArray[np.str_] | None, rows: int) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Rows of each level; all of them without a level column."""
    if labels is None:
        yield "", np.arange(rows)
        return
    names, place = ordered(labels)
    if names.size > MOST_LEVELS:
        raise InputError(
            "levels", got=names.size, allowed=f"at most {MOST_LEVELS}", do="Use --design levels, or name materials."
        )
    order = np.argsort(place, kind="stable")
    for name, rows_here in zip(names, np.split(order, np.cumsum(np.bincount(place))[:-1]), strict=True):
        yield str(name), np.asarray(rows_here, dtype=np.intp)


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
        f"at most {allowed:g} {unit}".strip(),
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


def unused_limits(names: Sequence[str], settings: Mapping[str, Any]) -> None:
    """Refuse a limit for something the design does not give."""
    for name in (REPEATABILITY, INTERMEDIATE, REPRODUCIBILITY):
        for kind in ("sd", "cv"):
            if name not in names and settings.get(f"allowed_{name}_{kind}") is not None:
                raise UsageError(
                    f"option --allowed-{name}-{kind}",
                    got="a limit",
                    allowed=f"limits for {', '.join(names)}",
                    do="Name the factors that make it up, or leave it out.",
                )


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


def components_picture(found: Mapping[str, Analysis], totals: Mapping[str, Mapping[str, Total]], unit: str) -> Picture:
    """Standard deviations as rows with whiskers, by level."""
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
        ),
        caption="Square roots of the components with their Wald intervals (cut at zero), then the standard deviations "
        f"made of them with the limits of the table.{more}",
        alt="; ".join(
            f"{n} {r.value:.3g}" for n, r in list(zip(names, drawn, strict=False))[:8] if r.value is not None
        ),
    )


def _root(x: float | None) -> float:
    return math.sqrt(max(x or 0.0, 0.0))


def warnings_of(found: Mapping[str, Analysis], totals: Mapping[str, Mapping[str, Total]], interval: str) -> list[str]:
    """What the reader must know before using the numbers."""
    notes: list[str] = []

    def at(level: str) -> str:
        return f" at {level}" if level else ""

    thin: dict[str, list[str]] = {}
    for level, analysis in found.items():
        for s in analysis.strata:
            sums = [t.variance for t in totals[level].values() if s.name in t.parts and t.variance > 0]
            if s.df < FEW and s.name != ERROR and sums and s.variance > SHARE * max(sums):
                thin.setdefault(s.name, []).append(level)
    for level, analysis in list(found.items())[:12]:
        for s in analysis.strata:
            if s.raw < 0:
                notes.append(
                    f"The component of {s.name}{at(level)} came out below zero ({s.raw:.3g}) and counts as zero; its "
                    "true size is small against its uncertainty."
                )
        if any(t.variance == 0 for t in totals[level].values()):
            notes.append(f"All replicates agree{at(level)}: the resolution of the readings limits what can be said.")
        if not analysis.balanced:
            notes.append(
                f"The design{at(level)} is not balanced: mean squares are correlated and the limits approximate."
            )
        if analysis.reml is None and analysis.reml_note != "Not asked for.":
            notes.append(f"REML{at(level)}: {analysis.reml_note}")
    if len(found) > 12:
        notes.append(f"Components below zero and the like are named for the first 12 of {len(found)} levels.")
    if interval == "satterthwaite":
        for name, levels in thin.items():
            where = f" at {', '.join(levels[:12])}" if any(levels) else ""
            notes.append(
                f"{name}{where}: fewer than {FEW} degrees of freedom under more than {100 * SHARE:g} % of the "
                f"variance. {THIN_LIMITS}"
            )
    return notes


FEW = 12
SHARE = 0.25
THIN_LIMITS = (
    "In simulated studies (2000 of each kind) with 3 to 11 such groups, 95 % Satterthwaite limits held the truth in "
    "only 87 to 93 %, large-sample limits in 95 to 96 % where groups were balanced: consider --interval large-sample."
)


def analysis_numbers(analysis: Analysis, totals: Mapping[str, Total]) -> dict[str, Any]:
    """Everything about one level, unrounded."""
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
            name: {"sd": t.sd, "cv": t.cv, "df": t.df, "variance": t.variance, "upper": t.upper, "parts": list(t.parts)}
            for name, t in totals.items()
        },
    }


def add(analysis: Analysis, settings: Mapping[str, Any], unit: str) -> Callable[[Sequence[str]], Total]:
    """A function that sums components by the settings in force."""

    def total(parts: Sequence[str]) -> Total:
        return analysis.total(parts, level=settings["confidence"], interval=settings["interval"], unit=unit)

    return total
