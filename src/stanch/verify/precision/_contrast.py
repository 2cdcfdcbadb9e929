"""Contrasts from duplicate pairs of wells: from a table to an account."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.precision import _choose, _show, _words
from stanch.verify.precision.contrasts import ContrastPrecision, contrast_precision
from stanch.verify.records import Account, Bounded, Cell, Column, Definition, Grid, Line, Picture, Points
from stanch.verify.scales import MARKS, thinned
from stanch.verify.table import Table, Taken, left_out

WORDS = {
    "difference": "base − other",
    "ratio": "logarithm of base/other",
    "share": "(base − other)/base",
    "log-retention": "logarithm of other/base over the same at the earlier clot age",
}
LIMIT = Definition(
    "repeatability limit",
    "1.96 √2 times the repeatability SD: two contrasts of one sample differ by less in 95 % of cases.",
    "ISO 5725-6, from memory",
)
CONTRAST = Definition(
    "contrast",
    "A number from two wells that differ in one additive. Its scatter is taken between pairs of the same sample, so "
    "what both wells of a pair share has cancelled.",
    "definition of this project",
)


def contrast(table: Table, question: str, settings: Mapping[str, Any]) -> Account:
    """How well a contrast repeats."""
    _choose.need(settings, "sample", "well", "base", "other")
    result, early, kind = settings["result"], settings["early"], settings["contrast"]
    retention = kind == "log-retention"
    if retention != bool(early):
        raise UsageError("option --early", got=early or "nothing", allowed="a column for log-retention, only for it")
    limits = ("sd",) if kind in ("difference", "share") else ("cv",)
    for name in (_words.REPEATABILITY, _words.INTERMEDIATE):
        for form in {"sd", "cv"} - set(limits):
            if settings[f"allowed_{name}_{form}"] is not None:
                raise UsageError(
                    f"option --allowed-{name}-{form}", got=f"given for a {kind}", allowed=f"a limit of its {limits[0]}"
                )
    factors = tuple(settings["factors"])
    keys = [c for c in (settings["sample"], *factors, settings["pair"]) if c]
    numbers = (result, early) if early else (result,)
    used = _choose.taken(table, numbers, (*keys, settings["well"]), settings)
    first, second, used = _matched(used, keys, settings)
    found = contrast_precision(
        used.numbers[result][first],
        used.numbers[result][second],
        used.labels[settings["sample"]][first],
        kind=kind,
        within={f: used.labels[f][first] for f in factors},
        base_early=used.numbers[early][first] if early else None,
        other_early=used.numbers[early][second] if early else None,
        confidence=settings["confidence"],
        interval=settings["interval"],
        reml=not settings["without_reml"],
        unit=settings["unit"],
    )
    return _account(found, used, used.labels[settings["sample"]][first], question, settings)


def _matched(
    used: Taken, keys: list[str], settings: Mapping[str, Any]
) -> tuple[NDArray[np.intp], NDArray[np.intp], Taken]:
    """Rows of base and other wells that belong together; without a pair column, in the order of the table."""
    wells = used.labels[settings["well"]]
    base, other = settings["base"], settings["other"]
    if base == other:
        raise UsageError("option --other", got=other, allowed="a well other than the base")
    for name in (base, other):
        if not (wells == name).any():
            seen = ", ".join(np.unique(wells)[:12])
            raise InputError(f"column {settings['well']}", got=f"no well {name}", allowed=seen, do="Name one of these.")
    group: NDArray[np.intp] = np.zeros(wells.size, dtype=np.intp)
    for key in keys:
        group = np.unique(
            group * (np.unique(used.labels[key]).size + 1) + _numbers(used.labels[key]), return_inverse=True
        )[1].reshape(-1)
    sides = [np.flatnonzero(wells == name) for name in (base, other)]
    if settings["pair"]:
        for rows, name in zip(sides, (base, other), strict=True):
            counts = np.bincount(group[rows])
            if (counts > 1).any():
                row = int(used.row[rows[np.isin(group[rows], np.flatnonzero(counts > 1))][0]])
                raise InputError(f"pair at row {row}", got=f"several results of {name}", allowed="one of each well")
    marks = [group[rows] * (wells.size + 1) + _nth(group[rows]) for rows in sides]
    _, first, second = np.intersect1d(marks[0], marks[1], assume_unique=True, return_indices=True)
    if first.size == 0:
        raise InputError("pairs of wells", got="none", allowed=f"{base} and {other} of the same sample")
    chosen = np.sort(np.concatenate([sides[0][first], sides[1][second]]))
    left = np.setdiff1d(np.arange(wells.size), chosen)
    lone = left[np.isin(wells[left], [base, other])]
    rest = left[~np.isin(wells[left], [base, other])]
    data = left_out(used.data, used.row[lone], "a well without its partner")
    data = left_out(data, used.row[rest], "another well")
    return sides[0][first], sides[1][second], replace(used, data=data)


def _numbers(labels: NDArray[np.str_]) -> NDArray[np.intp]:
    return np.unique(labels, return_inverse=True)[1].reshape(-1)


def _nth(group: NDArray[np.intp]) -> NDArray[np.intp]:
    """How many rows of the same group came before each."""
    order = np.argsort(group, kind="stable")
    ordered = group[order]
    start = np.flatnonzero(np.diff(ordered, prepend=-1))
    counts = np.diff(np.append(start, ordered.size))
    nth = np.empty(group.size, dtype=np.intp)
    nth[order] = np.arange(group.size) - np.repeat(start, counts)
    return nth


def _account(
    found: ContrastPrecision, used: Taken, sample: NDArray[np.str_], question: str, settings: Mapping[str, Any]
) -> Account:
    unit = found.repeatability.sd.unit
    shown = "" if unit == "1" else unit
    totals = {_words.REPEATABILITY: found.repeatability}
    cvs = {_words.REPEATABILITY: found.cv or Bounded.missing("A difference or a share has no CV of its own.", "%")}
    if settings["factors"]:
        totals[_words.INTERMEDIATE] = found.total
        cvs[_words.INTERMEDIATE] = cvs[_words.REPEATABILITY]
    if found.cv is not None:
        from stanch.verify.precision.fresh import cv_from_log_sd

        cvs = {name: cv_from_log_sd(total.sd) for name, total in totals.items()}
    _choose.unused_limits(list(totals), settings)
    analyses = {"": found.analysis}
    words = ["moments", *totals, settings["interval"], *([] if settings["without_reml"] else ["reml"])]
    warnings = _words.warnings_of(analyses, {"": totals}, settings["interval"])
    if not settings["pair"]:
        warnings.append("Wells were paired in the order of the table, since no pair column was named.")
    return Account(
        protocol="precision",
        title=f"Precision of the {found.kind}",
        question=question,
        design=(
            f"{found.pairs} pairs of wells ({settings['base']} and {settings['other']}) of {found.samples} samples; "
            f"contrast: {WORDS[found.kind]}.",
            "Samples random; " + (" / ".join(settings["factors"]) or "no factor") + " within samples.",
        ),
        data=used.data,
        verdicts=tuple(_show.judged(totals, "", settings, cv=cvs)),
        grids=(
            _grid(found, totals, cvs, shown, settings),
            _show.components_grid(analyses, settings, shown),
        ),
        pictures=(_duplicates(found, sample, shown),),
        definitions=(CONTRAST, LIMIT, *(_words.SOURCES[w] for w in words)),
        settings=dict(settings),
        numbers={
            **_show.analysis_numbers(found.analysis, totals, cvs),
            "cv_of_lognormal": found.cv,
            "repeatability_limit": found.limit,
            "base_sd": found.base_sd,
            "other_sd": found.other_sd,
            "correlation": found.correlation,
            "sd_if_independent": found.independent,
            "pairs": found.pairs,
            "samples": found.samples,
        },
        warnings=tuple(warnings),
    )


def _grid(found: ContrastPrecision, totals: Any, cvs: Any, unit: str, settings: Mapping[str, Any]) -> Grid:
    of = "of the logarithm" if found.kind in ("ratio", "log-retention") else ""
    wells = settings["unit"] if not of else ""
    rows: list[tuple[Cell, ...]] = []
    for name, total in totals.items():
        rows.append((f"{name} SD of the contrast", total.sd, unit))
        if found.cv is not None:
            rows.append((f"{name} CV of the contrast", _show.percent(cvs[name]), "%"))
    rows += [
        ("repeatability limit", found.limit, unit),
        (f"SD of the base well {of}".strip(), found.base_sd, wells),
        (f"SD of the other well {of}".strip(), found.other_sd, wells),
        ("correlation of both wells within samples", found.correlation, ""),
        ("SD of the contrast if they were independent", found.independent, unit),
    ]
    return Grid(
        "Precision of the contrast",
        (Column("quantity"), Column("value"), Column("unit")),
        tuple(rows),
        "All within samples. A correlation above zero means that part of the scatter is common to both wells of a pair "
        "and cancels.",
    )


def _duplicates(found: ContrastPrecision, sample: NDArray[np.str_], unit: str) -> Picture:
    group = _numbers(sample)
    nth = _nth(group)
    one = np.full(found.samples, np.nan)
    two = np.full(found.samples, np.nan)
    one[group[nth == 0]] = found.values[nth == 0]
    two[group[nth == 1]] = found.values[nth == 1]
    both = np.isfinite(one) & np.isfinite(two)
    x, y = thinned(one[both], two[both], most=MARKS)
    ends = (float(found.values.min()), float(found.values.max()))
    few = f" {MARKS} of {int(both.sum())} samples are drawn." if both.sum() > MARKS else ""
    label = f"{WORDS[found.kind]} [{unit or '-'}]"
    return Picture(
        "Contrast in duplicate",
        f"first pair: {label}",
        f"second pair: {label}",
        (Points(x, y, "samples"), Line(ends, ends, "equal")),
        caption=f"Each mark is one sample measured twice; its distance from the line is the contrast's scatter.{few}",
        alt=f"{int(both.sum())} samples in duplicate; repeatability SD {found.repeatability.sd.value or 0:.3g}"
        + (f" {unit}." if unit else "."),
        equal=True,
    )
