"""From paired results and a regression to the parts of an account."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import UsageError
from stanch.verify.agreement import _show
from stanch.verify.agreement._parts import Parts
from stanch.verify.agreement._rank_account import rank_line
from stanch.verify.agreement.deming import deming
from stanch.verify.agreement.known_errors import known_errors
from stanch.verify.agreement.lines import StraightLine
from stanch.verify.agreement.ordinary import ordinary_line
from stanch.verify.agreement.weighted_deming import weighted_deming
from stanch.verify.equivalence import outcome
from stanch.verify.records import Bounded, Cell, Column, Definition, Grid, Verdict

Floats = NDArray[np.float64]


RATIO = Definition(
    "error ratio",
    "Variance of the errors of x over the variance of the errors of y; the other way round gives another line. A "
    "ratio of standard deviations or coefficients of variation is squared first.",
    "common practice, no source for the direction",
)


def line_parts(x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> Parts:
    """Fit the line of the design and tell it."""
    parts = Parts()
    fits = {
        "deming": _deming,
        "weighted-deming": _weighted,
        "known-errors": _known,
        "passing-bablok": rank_line,
    }
    line = fits[o["design"]](parts, x, y, o, sd)
    ordinary = ordinary_line(x, y, level=o["confidence"], unit=o["unit"])
    parts.design.insert(0, f"{x.size} samples, each measured by both methods; {line.method}.")
    parts.design.append(f"Intervals: {line.interval}.")
    parts.definitions.append(
        Definition(
            "bias at a level",
            "intercept + (slope − 1) × level, the systematic difference y − x where x truly is at that level.",
            "common practice, no source",
        )
    )
    names = _named(o, "x"), _named(o, "y")
    parts.pictures.insert(0, _show.scatter_picture(x, y, line, ordinary, o["unit"], names))
    parts.grids.insert(0, _lines_grid(line, ordinary, o["unit"]))
    _bias(parts, line, x, o)
    parts.numbers = {
        "n": line.n,
        "intercept": line.intercept,
        "slope": line.slope,
        "se_intercept": line.se_intercept if o["design"] != "passing-bablok" else None,
        "se_slope": line.se_slope if o["design"] != "passing-bablok" else None,
        "df": line.df if np.isfinite(line.df) else None,
        "scatter": line.scatter,
        "ordinary_intercept": ordinary.intercept,
        "ordinary_slope": ordinary.slope,
        **parts.numbers,
    }
    return parts


def _named(o: dict[str, Any], which: str) -> str:
    """The column of a method, and what it was turned into."""
    turned = o["amplitude"] in (which, "both")
    return f"{which}: {o[which]}, as modulus" if turned else f"{which}: {o[which]}"


def _lines_grid(line: StraightLine, ordinary: StraightLine, unit: str) -> Grid:
    rows = tuple(
        (fit.method, fit.intercept, fit.slope, fit.scatter, fit.interval if fit is line else "x taken as free of error")
        for fit in (line, ordinary)
    )
    return Grid(
        "Lines between the methods",
        (Column("line"), Column("intercept", unit), Column("slope"), Column("residual SD", unit), Column("interval")),
        rows,
        note="Ordinary least squares stands beside the line for comparison only: errors of x pull its slope towards "
        "zero.",
    )


def allowed_at(level: float, place: int, o: dict[str, Any]) -> float | None:
    """Largest bias allowed at a level: absolute, in percent of the level, or the larger of both."""
    found = []
    for key, factor in (("allowed_bias", 1.0), ("allowed_bias_percent", abs(level) / 100)):
        given = tuple(o[key] or ())
        if not given:
            continue
        if len(given) not in (1, max(len(o["levels"] or ()), 1)):
            raise UsageError(
                f"option --{key.replace('_', '-')}",
                got=f"{len(given)} values",
                allowed="one value, or one for each of --levels in the same order",
            )
        value = float(given[0] if len(given) == 1 else given[place])
        if not value > 0:
            raise UsageError(f"option --{key.replace('_', '-')}", got=value, allowed="a number above 0")
        found.append(value * factor)
    return max(found) if found else None


def _bias(parts: Parts, line: StraightLine, x: Floats, o: dict[str, Any]) -> None:
    unit = o["unit"]
    stated = tuple(float(level) for level in o["levels"] or ())
    levels = stated or tuple(float(q) for q in np.quantile(x, [0.1, 0.5, 0.9]))
    rows: list[tuple[Cell, ...]] = []
    found: dict[str, Bounded] = {}
    for place, level in enumerate(levels):
        bias = line.bias_at(level)
        found[f"{level!r}"] = bias
        allowed = allowed_at(level, place, o) if stated else None
        assert bias.value is not None
        relative = None if level == 0 else 100 * bias.value / level
        rows.append((level, bias, relative, allowed))
        if not x.min() <= level <= x.max() and stated:
            parts.warnings.append(
                f"The level {level:g} {unit} lies outside the samples: the bias there is extrapolated."
            )
        if stated:
            parts.verdicts.append(
                bias_verdict(f"Bias at {level:g} {unit}".strip() + " is allowed", bias, allowed, unit)
            )
    if not stated:
        if o["allowed_bias"] or o["allowed_bias_percent"]:
            raise UsageError(
                "option --levels", got="nothing", allowed="the levels the allowed bias belongs to", do="Give it."
            )
        first, last = found[f"{levels[0]!r}"], found[f"{levels[-1]!r}"]
        parts.verdicts += [
            bias_verdict(f"Bias at {level:g} {unit}".strip() + " is allowed", bias, None, unit)
            for level, bias in ((levels[0], first), (levels[-1], last))
        ]
    parts.grids.insert(
        1,
        Grid(
            "Bias at decision levels",
            (
                Column("level", unit),
                Column("bias, y − x", unit),
                Column("bias", "% of the level"),
                Column("allowed", unit),
            ),
            tuple(rows),
            note="" if stated else "No decision level was stated: these are the 10, 50 and 90 % points of x.",
        ),
    )
    parts.numbers["bias_at"] = found


def bias_verdict(claim: str, bias: Bounded, allowed: float | None, unit: str) -> Verdict:
    edge = "" if allowed is None else f"bias within ±{allowed:g} {unit}".strip()
    result = outcome(bias, None if allowed is None else -allowed, allowed)
    rule = (
        f"Met when the whole {100 * bias.level:g} % interval of the bias lies inside the limits, not met when none of "
        "it does."
    )
    return Verdict(claim, bias, edge, result, rule)


def _deming(parts: Parts, x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> StraightLine:
    line = deming(
        x,
        y,
        error_ratio=o["error_ratio"],
        interval=o["interval"],
        level=o["confidence"],
        draws=o["draws"],
        seed=o["seed"],
        unit=o["unit"],
    )
    parts.seeded = o["interval"] == "bootstrap"
    parts.design.append(o["ratio_words"])
    parts.definitions += [
        Definition(
            "Deming regression",
            "The line that minimises squared distances of both methods, each over its error variance; errors of "
            "constant size.",
            "Deming WE. Statistical Adjustment of Data (1943), from memory",
        ),
        RATIO,
    ]
    parts.numbers["error_ratio"] = o["error_ratio"]
    # Residuals are drawn against the mean weighted by error variances: against x they lean by construction.
    inverse = 1 / o["error_ratio"]
    place = (inverse * x + line.b * (y - line.a)) / (inverse + line.b**2)
    parts.pictures.append(
        _show.residual_picture(
            place, y - line.a - line.b * x, "estimated true x", o["unit"], _show.axis("y − line", o["unit"])
        )
    )
    return line


def _weighted(parts: Parts, x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> StraightLine:
    if o["interval"] == "analytic":
        raise UsageError("option --interval", got="analytic", allowed="jackknife or bootstrap for weighted-deming")
    found = weighted_deming(
        x,
        y,
        error_ratio=o["error_ratio"],
        floor=o["weight_floor"],
        interval=o["interval"],
        level=o["confidence"],
        draws=o["draws"],
        seed=o["seed"],
        unit=o["unit"],
    )
    line = found.line
    parts.seeded = o["interval"] == "bootstrap" or "blocks" in line.interval
    parts.design += [o["ratio_words"], f"Weights settled after {found.iterations} iterations."]
    parts.definitions += [
        Definition(
            "weighted Deming regression",
            "Deming regression with weights 1/level², the level being the mean of both estimated true values, "
            "iterated until slope and height at the weighted mean move by less than 1e-12 of themselves.",
            "Linnet K. Clin Chem 39:424-432 (1993), from memory",
        ),
        RATIO,
    ]
    parts.numbers |= {
        "error_ratio": o["error_ratio"],
        "iterations": found.iterations,
        "relative_scatter": found.relative_scatter,
    }
    inverse = 1 / o["error_ratio"]
    place = (inverse * x + line.b * (y - line.a)) / (inverse + line.b**2)
    levels = np.maximum((place + line.a + line.b * place) / 2, o["weight_floor"] or 0.0)
    rest = 100 * (y - line.a - line.b * x) / levels
    parts.pictures.append(
        _show.residual_picture(place, rest, "estimated true x", o["unit"], _show.axis("y − line, of the level", "%"))
    )
    return line


def _known(parts: Parts, x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> StraightLine:
    assert sd is not None
    found = known_errors(x, y, *sd, correlation=o["error_correlation"], level=o["confidence"], unit=o["unit"])
    parts.definitions.append(
        Definition(
            "functional relation",
            "The line that minimises squared residuals over their stated variances; standard errors at the adjusted "
            "points, not scaled by chi-square.",
            "York D et al. Am J Phys 72:367-375 (2004), from memory; the straight line of ISO/TS 28037:2010 has the "
            "same minimum",
        )
    )
    parts.grids.append(
        Grid(
            "Do the stated errors explain the scatter?",
            (Column("quantity"), Column("value")),
            (("chi-square", found.chi2), ("degrees of freedom", found.chi2_df), ("p", found.p)),
            note="A chi-square far above its degrees of freedom says that the stated errors are too small, that "
            "samples differ between the methods by more than error, or that the relation is not a straight line. The "
            "intervals are not stretched for it.",
        )
    )
    parts.numbers |= {"chi2": found.chi2, "chi2_df": found.chi2_df, "chi2_p": found.p}
    if found.p < 0.05:
        parts.warnings.append(
            f"Chi-square {found.chi2:.4g} on {found.chi2_df} degrees of freedom (p = {found.p:.2g}): the stated "
            "errors do not "
            "explain the scatter, and the intervals are too narrow if other causes add to it."
        )
    parts.pictures.append(
        _show.residual_picture(
            found.adjusted_x, found.normalised, "adjusted x", o["unit"], _show.axis("residual over its SD", "")
        )
    )
    return found.line
