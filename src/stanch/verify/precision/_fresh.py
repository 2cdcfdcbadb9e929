"""Fresh samples in duplicate: from a table to an account."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from stanch.verify.groups import ordered
from stanch.verify.precision import _choose, _show, _words
from stanch.verify.precision.components import Total
from stanch.verify.precision.fresh import FreshLevel, bands_of_donors, fresh_precision
from stanch.verify.records import Account, Bounded, Cell, Column, Definition, Grid, Level, Picture, Points, Rows
from stanch.verify.scales import MARKS, thinned
from stanch.verify.table import Table

FRESH = Definition(
    "fresh-sample design",
    "Whole blood cannot be stored, so no material can be measured over many days. Donors are a random factor, each is "
    "measured in duplicate while fresh, and only the scatter within donors counts as imprecision.",
    "common practice, no source",
)
LOGNORMAL = Definition(
    "coefficient of variation from logarithms",
    "sqrt(exp(s²) − 1) with s the standard deviation of the natural logarithm; exact for log-normal scatter, limits "
    "carried over.",
    "Aitchison J, Brown JAC. The Lognormal Distribution. Cambridge (1957), from memory",
)


def fresh(table: Table, question: str, settings: Mapping[str, Any]) -> Account:
    """Precision within donors, on the log scale, by level."""
    _choose.need(settings, "sample")
    result, donor, factors = settings["result"], settings["sample"], tuple(settings["factors"])
    used = _choose.taken(table, (result,), (donor, *factors, settings["level"]), settings)
    values, people = used.numbers[result], used.labels[donor]
    titles, marks = [""], None
    if settings["level"]:
        names, marks = ordered(used.labels[settings["level"]])
        titles = [str(n) for n in names]
    elif settings["bands"] > 1:
        names, marks = np.unique(bands_of_donors(values, people, settings["bands"]), return_inverse=True)
        titles = [str(n) for n in names]
    found = fresh_precision(
        values,
        people,
        {f: used.labels[f] for f in factors},
        level=marks,
        confidence=settings["confidence"],
        interval=settings["interval"],
        reml=not settings["without_reml"],
    )
    by_level = dict(zip(titles, found, strict=True))
    totals, cvs = {}, {}
    for title, level in by_level.items():
        totals[title], cvs[title] = _named(level, factors)
    names_given = list(next(iter(totals.values())))
    _choose.unused_limits(names_given, settings)
    verdicts = tuple(v for title in by_level for v in _show.judged(totals[title], title, settings, cv=cvs[title]))
    analyses = {title: level.analysis for title, level in by_level.items()}
    words = ["moments", *names_given, settings["interval"], *([] if settings["without_reml"] else ["reml"])]
    return Account(
        protocol="precision",
        title="Precision from fresh samples",
        question=question,
        design=_sentences(by_level, donor, factors),
        data=used.data,
        verdicts=verdicts,
        grids=(_grid(by_level, settings["unit"]), _show.components_grid(analyses, settings, "")),
        pictures=(_scatter(values, people, settings["unit"]), _rows(by_level, settings)),
        definitions=(FRESH, LOGNORMAL, *(_words.SOURCES[w] for w in words)),
        settings=dict(settings),
        numbers={
            "levels": {
                title: {
                    **_show.analysis_numbers(level.analysis, level.sums, level.cv),
                    "geometric_mean": level.geometric_mean,
                    "cv_of_lognormal": level.cv,
                }
                for title, level in by_level.items()
            }
        },
        warnings=tuple(_warnings(analyses, totals, factors, settings)),
    )


def _named(level: FreshLevel, factors: tuple[str, ...]) -> tuple[dict[str, Total], dict[str, Bounded]]:
    """Repeatability, and the sum over all conditions as intermediate precision."""
    keys = {_words.REPEATABILITY: _words.REPEATABILITY}
    if factors:
        keys[_words.INTERMEDIATE] = f"across {factors[0]}"
    return {n: level.sums[k] for n, k in keys.items()}, {n: level.cv[k] for n, k in keys.items()}


def _sentences(by_level: Mapping[str, FreshLevel], donor: str, factors: tuple[str, ...]) -> tuple[str, ...]:
    people = sum(level.analysis.groups[0] for level in by_level.values())
    rows = sum(level.analysis.n for level in by_level.values())
    return (
        f"{people} donors (column {donor}), each measured fresh; {rows} results at {len(by_level)} level"
        f"{'s' if len(by_level) > 1 else ''}.",
        "Conditions within a donor, outermost first: " + (" / ".join(factors) or "none") + "; duplicates innermost.",
        "Natural logarithms; donors random; conditions taken as nested in donors, so that a constant difference "
        "between wells or operators counts in the component of its factor.",
    )


def _warnings(analyses: Any, totals: Any, factors: tuple[str, ...], settings: Mapping[str, Any]) -> list[str]:
    notes = _words.warnings_of(analyses, totals, settings["interval"])
    if not factors:
        notes.append(
            "Duplicates in the same run show repeatability only: name the well and operator columns to see what they "
            "add, and nothing here shows what days or lots add."
        )
    else:
        notes.append("A donor is measured on one day: what days and reagent lots add is not in these figures.")
    return notes


def _grid(by_level: Mapping[str, FreshLevel], unit: str) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for title, level in by_level.items():
        for key, total in level.sums.items():
            rows.append(
                (
                    title,
                    level.geometric_mean,
                    level.analysis.groups[0],
                    key,
                    total.sd,
                    _show.percent(level.cv[key]),
                    total.df,
                )
            )
    return Grid(
        "Precision of fresh samples",
        (
            Column("level"),
            Column("geometric mean", unit),
            Column("donors"),
            Column("quantity"),
            Column("SD of the logarithm"),
            Column("coefficient of variation", "%"),
            Column("degrees of freedom"),
        ),
        tuple(rows),
        "Each row includes the ones above it of the same level.",
    )


def _scatter(values: Any, people: Any, unit: str) -> Picture:
    _, where = np.unique(people, return_inverse=True)
    logs = np.log(values)
    mean = (np.bincount(where, logs) / np.bincount(where))[where]
    x, y = thinned(np.exp(mean), 100 * np.expm1(logs - mean), most=MARKS)
    few = f" {MARKS} of {values.size} results are drawn." if values.size > MARKS else ""
    wide = float(np.exp(mean.max() - mean.min())) > 10
    return Picture(
        "Results about their donor's mean",
        f"geometric mean of the donor [{unit or '-'}]",
        "result over that mean, less 1 [%]",
        (Points(x, y, "results", faint=values.size > 200), Level(0.0, "donor's mean", kind="zero")),
        caption=f"A spread that changes along the axis means that one CV does not serve all levels.{few}",
        alt=f"{values.size} results of {int(where.max()) + 1} donors; largest departure "
        f"{100 * (float(np.abs(np.expm1(logs - mean)).max())):.1f} %.",
        x_scale="log" if wide else "linear",
    )


def _rows(by_level: Mapping[str, FreshLevel], settings: Mapping[str, Any]) -> Picture:
    named = [
        (f"{title}: {key}" if title else key, _show.percent(cv))
        for title, level in by_level.items()
        for key, cv in level.cv.items()
    ][:60]
    return Picture(
        "Coefficient of variation by level",
        "coefficient of variation [%]",
        "",
        (
            Rows(
                tuple(n for n, _ in named),
                tuple(c.value for _, c in named),
                tuple(c.low for _, c in named),
                tuple(c.high for _, c in named),
            ),
            *_show.allowed_levels(settings, "cv"),
        ),
        caption="Marks are the coefficients of variation, whiskers their intervals.",
        alt="; ".join(f"{n} {c.value or 0:.3g} %" for n, c in named[:8]),
    )
