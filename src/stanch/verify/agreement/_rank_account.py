"""A Passing-Bablok line told as the parts of an account."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.agreement import _show
from stanch.verify.agreement._parts import Parts
from stanch.verify.agreement.cusum import cusum_linearity
from stanch.verify.agreement.lines import StraightLine
from stanch.verify.agreement.passing_bablok import passing_bablok
from stanch.verify.records import Cell, Column, Definition, Grid

Floats = NDArray[np.float64]

LINEARITY = Definition(
    "linearity test by cumulative sums",
    "Signs of residuals, weighted so that both sides balance, summed along the line; largest absolute sum over "
    "√(points below + 1) against Kolmogorov's distribution. Own simulation: at a stated 5 % it rejected a true line "
    "in 2 % of studies with 20 samples, 5 % with 60 and 9 % with 300.",
    "Passing H, Bablok W. J Clin Chem Clin Biochem 21:709-720 (1983), from memory",
)


INTERCEPT = (
    "The interval of the intercept, from the opposite slope limits, is short: where 95 % were stated it held the "
    "truth in only 91 to 93 % of 2000 simulated studies of each of five kinds, with 20 to 300 samples."
)
BESIDE = " The interval made for a bias, in the table of pairs, held it in 94 to 96 %."


def _definition(rounding: str, relation: str) -> Definition:
    shown = (
        f"Intercept limits from the opposite slope limits; ranks rounded: {rounding}. Own simulation (normal errors, "
        "95 % stated): the slope interval held the truth in 94 to 96 % of studies, the intercept interval only in 91 "
        "to 93 %; the intercept is therefore also shown with the interval made for a bias."
    )
    if relation == "general":
        return Definition(
            "Passing-Bablok regression, general relation",
            "Median of the absolute pairwise slopes, pairs equal in both methods dropped, upright pairs infinite; it "
            "follows a change of either unit. Ranks of the limits from the estimated variance of the concordance "
            "between y − b x and y + b x. " + shown,
            "Bablok W, Passing H, Bender R, Schneider B. J Clin Chem Clin Biochem 26:783-790 (1988), from memory; "
            "variance of the concordance: own, from the theory of U-statistics",
        )
    return Definition(
        "Passing-Bablok regression",
        "Shifted median of all pairwise slopes; pairs equal in both methods and of slope −1 dropped, upright pairs "
        "kept as infinite. Variance of the concordance n(n − 1)(2n + 5)/18 without tie correction. " + shown,
        "Passing H, Bablok W. J Clin Chem Clin Biochem 21:709-720 (1983), from memory",
    )


def rank_line(parts: Parts, x: Floats, y: Floats, o: dict[str, Any], sd: tuple[Floats, Floats] | None) -> StraightLine:
    from scipy import special

    found = passing_bablok(
        x,
        y,
        relation=o["relation"],
        level=o["confidence"],
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
    parts.warnings.append(INTERCEPT + (BESIDE if line.covariance is not None else ""))
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
    if o["relation"] == "same" and not 0.5 < line.b < 2:
        parts.warnings.append(
            f"The slope {line.b:.4g} is far from 1: the relation `same` treats both methods alike only when they "
            "share a unit and nearly a scale. Use --relation general, or Deming regression.",
        )
    parts.grids.append(Grid("Pairs and linearity", (Column("quantity"), Column("value")), tuple(rows)))
    parts.definitions += [_definition(found.rounding, o["relation"]), LINEARITY]
    parts.numbers |= {
        "slopes": found.slopes,
        "pairs_identical": found.identical,
        "pairs_minus_one": found.minus_one,
        "offset": found.offset,
        "ranks": None if found.ranks is None else list(found.ranks),
        "whole_numbers": found.exact,
    }
    return line
