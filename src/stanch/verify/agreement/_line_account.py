"""From paired results and a regression to the parts of an account."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.agreement import _show
from stanch.verify.agreement.cusum import cusum_linearity
from stanch.verify.agreement.deming import deming
from stanch.verify.agreement.known_errors import known_errors
from stanch.verify.agreement.lines import StraightLine
from stanch.verify.agreement.ordinary import ordinary_line
from stanch.verify.agreement.passing_bablok import passing_bablok
from stanch.verify.agreement.weighted_deming import weighted_deming
from stanch.verify.equivalence import outcome
from stanch.verify.records import Bounded, Cell, Column, Definition, Grid, Picture, Verdict

Floats = NDArray[np.float64]


@dataclass
class Parts:
    """What a design contributes to the account."""

    design: list[str] = field(default_factory=list)
    verdicts: list[Verdict] = field(default_factory=list)
    grids: list[Grid] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    definitions: list[Definition] = field(default_factory=list)
    numbers: dict[str, Any] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    seeded: bool = False


RATIO = Definition(
    "error ratio",
    "Variance of the errors of x over the variance of the errors of y; the other way round gives another line. A "
    "ratio of "
    "standard deviations or coefficients of variation is squared first.",
    "common practice, no source for the direction",
)


def line_parts(x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> Parts:
    """Fit the line of the design and tell it."""
    parts = Parts()
    fits = {
        "deming": _deming,
        "weighted-deming": _weighted,
        "known-errors": _known,
        "passing-bablok": _passing_bablok,
    }
    line = fits[o["design"]](parts, x, y, o, sd)
    ordinary = ordinary_line(x, y, level=o["level"], unit=o["unit"])
    parts.design.insert(0, f"{x.size} samples, each measured by both methods; {line.method}.")
    parts.design.append(f"Intervals: {line.interval}.")
    parts.definitions.append(
        Definition(
            "bias at a level",
            "intercept + (slope − 1) × level, the systematic difference y − x where x truly is at that level.",
            "common practice, no source",
        )
    )
    parts.pictures.insert(0, _show.scatter_picture(x, y, line, ordinary, o["unit"]))
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
        f"Met when the whole {bias.level:.0%} interval of the bias lies inside the limits, not met when none of "
        "it does."
    )
    return Verdict(claim, bias, edge, result, rule)


def _deming(parts: Parts, x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> StraightLine:
    line = deming(
        x,
        y,
        error_ratio=o["error_ratio"],
        interval=o["interval"],
        level=o["level"],
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
        level=o["level"],
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
            "iterated until "
            "slope and height at the weighted mean move by less than 1e-12 of themselves.",
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
    found = known_errors(x, y, *sd, correlation=o["error_correlation"], level=o["level"], unit=o["unit"])
    parts.definitions.append(
        Definition(
            "functional relation",
            "The line that minimises squared residuals over their stated variances; standard errors at the adjusted "
            "points, "
            "not scaled by chi-square.",
            "York D et al. Am J Phys 72:367-375 (2004), from memory; the straight line of ISO/TS 28037:2010 has the "
            "same "
            "minimum",
        )
    )
    parts.grids.append(
        Grid(
            "Do the stated errors explain the scatter?",
            (Column("quantity"), Column("value")),
            (("chi-square", found.chi2), ("degrees of freedom", found.chi2_df), ("p", found.p)),
            note="A chi-square far above its degrees of freedom says that the stated errors are too small, that "
            "samples "
            "differ between the methods by more than error, or that the relation is not a straight line. The "
            "intervals are "
            "not stretched for it.",
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


def _passing_bablok(
    parts: Parts, x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None
) -> StraightLine:
    from scipy import special

    found = passing_bablok(
        x,
        y,
        level=o["level"],
        rounding=o["rank_rounding"],
        bias_interval=o["bias_interval"],
        draws=o["draws"],
        seed=o["seed"],
        unit=o["unit"],
    )
    line = found.line
    parts.seeded = line.draws is not None
    parts.design.append(
        "Slopes of pairs compared in whole numbers." if found.exact else "Slopes of pairs compared in floating point."
    )
    rows: list[tuple[Cell, ...]] = [
        ("slopes ranked", found.slopes),
        ("pairs equal in both methods, dropped", found.identical),
        ("pairs of slope −1, dropped", found.minus_one),
        ("slopes below −1 (offset K)", found.offset),
        ("rank of the lower slope limit", None if found.ranks is None else found.ranks[0]),
        ("rank of the upper slope limit", None if found.ranks is None else found.ranks[1]),
    ]
    if line.covariance is not None:
        beside = line.bias_at(0.0)
        rows.append(("intercept with the interval made for a bias", beside))
        parts.numbers["intercept_beside"] = beside
    try:
        test = cusum_linearity(x, y, line.a, line.b)
    except InputError as refused:
        parts.warnings.append(f"No linearity test: {refused}")
    else:
        rows += [
            ("points above, below and on the line", f"{test.above}, {test.below}, {test.on}"),
            ("linearity statistic", test.statistic),
            ("linearity p", test.p),
        ]
        parts.numbers |= {"cusum_statistic": test.statistic, "cusum_p": test.p}
        critical = float(special.kolmogi(0.05))
        parts.pictures.append(_show.cusum_picture(test, critical, 0.95))
        order = np.argsort((y + x / line.b), kind="stable")
        parts.pictures.append(
            _show.residual_picture(
                test.position,
                (y - line.a - line.b * x)[order],
                "distance along the line",
                o["unit"],
                _show.axis("y − line", o["unit"]),
            )
        )
        if test.p < 0.05:
            parts.warnings.append(
                f"The linearity test rejects a straight line (p = {test.p:.2g}): slope, intercept and bias do not "
                "describe "
                "these methods."
            )
    if not 0.5 < line.b < 2:
        parts.warnings.append(
            f"The slope {line.b:.4g} is far from 1: this regression treats both methods alike only when they share a "
            "unit "
            "and nearly a scale. Convert one of them, or use Deming regression."
        )
    parts.grids.append(Grid("Pairs and linearity", (Column("quantity"), Column("value")), tuple(rows)))
    parts.definitions += [
        Definition(
            "Passing-Bablok regression",
            "Shifted median of all pairwise slopes; pairs equal in both methods and of slope −1 dropped, upright "
            "pairs kept as "
            "infinite. Variance of the concordance n(n − 1)(2n + 5)/18 without tie correction; intercept limits from "
            "the "
            f"opposite slope limits; ranks rounded: {found.rounding}. Own simulation (normal errors, 95 % stated): "
            "the slope "
            "interval held the truth in 95 to 96 % of studies, the intercept interval only in 92 to 93 %; the "
            "intercept is "
            "therefore also shown with the interval made for a bias.",
            "Passing H, Bablok W. J Clin Chem Clin Biochem 21:709-720 (1983), from memory",
        ),
        Definition(
            "linearity test by cumulative sums",
            "Signs of residuals, weighted so that both sides balance, summed along the line; largest absolute sum over "
            "√(points below + 1) against Kolmogorov's distribution. Own simulation: at a stated 5 % it rejected a "
            "true line "
            "in 2 % of studies with 20 samples, 5 % with 60 and 9 % with 300.",
            "Passing H, Bablok W. J Clin Chem Clin Biochem 21:709-720 (1983), from memory",
        ),
    ]
    parts.numbers |= {
        "slopes": found.slopes,
        "pairs_identical": found.identical,
        "pairs_minus_one": found.minus_one,
        "offset": found.offset,
        "ranks": None if found.ranks is None else list(found.ranks),
        "whole_numbers": found.exact,
    }
    return line
