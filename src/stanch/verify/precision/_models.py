"""Nested and crossed designs: from a table to an account."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stanch.errors import InputError, UsageError
from stanch.verify.precision import _choose, _show, _words
from stanch.verify.precision.components import ERROR, Analysis, Total
from stanch.verify.precision.crossed import crossed_anova
from stanch.verify.precision.nested import nested_anova
from stanch.verify.records import Account
from stanch.verify.table import Table, Taken

Found = dict[str, tuple[Analysis, dict[str, Total]]]


def nested(table: Table, question: str, settings: Mapping[str, Any]) -> Account:
    """Any nested design, by level where there are several."""
    lab, sample, inner = settings["laboratory"], settings["sample"], tuple(settings["factors"])
    columns = [c for c in (sample, lab, *inner) if c]
    _distinct(columns)
    used = _choose.taken(table, (settings["result"],), (*columns, settings["level"]), settings)
    found: Found = {}
    for level, rows in _levels_of(used, settings):
        analysis = nested_anova(
            used.numbers[settings["result"]][rows],
            {c: used.labels[c][rows] for c in columns},
            reml=not settings["without_reml"],
        )
        add = _choose.add(analysis, settings, settings["unit"])
        totals = {_words.REPEATABILITY: add((ERROR,))}
        if inner:
            totals[_words.INTERMEDIATE] = add((*inner, ERROR))
        if lab:
            totals[_words.REPRODUCIBILITY] = add((lab, *inner, ERROR))
        found[level] = analysis, totals
    first = next(iter(found.values()))[0]
    shape = ", ".join(f"{n} groups of {c}" for c, n in zip(columns, first.groups, strict=True)) or "replicates only"
    design = [
        "Nested random factors, outermost first: " + (" / ".join(columns) or "none") + "; replicates innermost.",
        f"{shape}; {first.n} results" + (" at the first level." if len(found) > 1 else "."),
        f"{first.method}; {'balanced' if first.balanced else 'not balanced'}.",
    ]
    if sample:
        design.append(f"Variation between {sample} is shown and not counted as imprecision.")
    words = ["moments", _words.REPEATABILITY]
    return _account("Precision, nested design", question, design, used, found, settings, columns, words)


def crossed(table: Table, question: str, settings: Mapping[str, Any]) -> Account:
    """Two crossed random factors with interaction."""
    lab, sample = settings["laboratory"], settings["sample"]
    columns = [c for c in (sample, *settings["factors"], lab) if c]
    _distinct(columns)
    if len(columns) != 2:
        raise UsageError(
            "crossed factors",
            got=", ".join(columns) or "none",
            allowed="two columns: among --sample, --factors and --laboratory",
        )
    used = _choose.taken(table, (settings["result"],), (*columns, settings["level"]), settings)
    found: Found = {}
    for level, rows in _levels_of(used, settings):
        analysis = crossed_anova(
            used.numbers[settings["result"]][rows],
            {c: used.labels[c][rows] for c in columns},
            reml=not settings["without_reml"],
        )
        add = _choose.add(analysis, settings, settings["unit"])
        totals = {_words.REPEATABILITY: add((ERROR,))}
        outer = _words.REPRODUCIBILITY if lab else _words.INTERMEDIATE
        totals[outer] = add([n for n in analysis.names if n != sample])
        found[level] = analysis, totals
    first = next(iter(found.values()))[0]
    design = [
        f"Two crossed random factors: {first.groups[0]} groups of {columns[0]} by {first.groups[1]} of "
        f"{columns[1]}, with "
        "interaction where combinations are repeated.",
        f"{first.n} results" + (" at the first level." if len(found) > 1 else "."),
        f"{first.method}; {'balanced' if first.balanced else 'not balanced'}.",
    ]
    if sample:
        design.append(f"Variation between {sample} is shown and not counted as imprecision.")
    words = ["moments", "henderson", _words.REPEATABILITY]
    return _account("Precision, crossed design", question, design, used, found, settings, columns, words)


def _levels_of(used: Taken, settings: Mapping[str, Any]) -> list[tuple[str, Any]]:
    labels = used.labels[settings["level"]] if settings["level"] else None
    rows = used.numbers[settings["result"]].size
    return list(_choose.parts_by_level(labels, rows))


def _distinct(columns: list[str]) -> None:
    twice = sorted({c for c in columns if columns.count(c) > 1})
    if twice:
        raise InputError(f"column {twice[0]}", got="named twice", allowed="each column once", do="Name another.")


def _account(
    title: str,
    question: str,
    design: list[str],
    used: Taken,
    found: Found,
    settings: Mapping[str, Any],
    columns: list[str],
    words: list[str],
) -> Account:
    analyses = {level: pair[0] for level, pair in found.items()}
    totals = {level: pair[1] for level, pair in found.items()}
    names = list(next(iter(totals.values())))
    _choose.unused_limits(names, settings)
    unit = settings["unit"]
    values = used.numbers[settings["result"]]
    pictures = [_show.components_picture(analyses, totals, unit, settings)]
    for level, rows in _levels_of(used, settings)[:3]:
        groups = used.labels[columns[0]][rows] if columns else None
        pictures.insert(-1, _show.results_picture(values[rows], groups, columns[0] if columns else "", level, unit))
    words += [n for n in names if n not in words] + [settings["interval"]]
    if not settings["without_reml"]:
        words.append("reml")
    return Account(
        protocol="precision",
        title=title,
        question=question,
        design=tuple(design),
        data=used.data,
        verdicts=tuple(v for level, t in totals.items() for v in _show.judged(t, level, settings)),
        grids=(_show.totals_grid(totals, unit), _show.components_grid(analyses, settings, unit)),
        pictures=tuple(pictures),
        definitions=tuple(_words.SOURCES[w] for w in words),
        settings=dict(settings),
        numbers={
            "levels": {level: _show.analysis_numbers(analyses[level], totals[level]) for level in analyses},
        },
        warnings=tuple(_words.warnings_of(analyses, totals, settings["interval"])),
    )
