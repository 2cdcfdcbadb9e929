"""Ways to spoil a good table, each named: what a laboratory's export, or a hurried hand, may hold."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

NASTY = (
    'a, "b"; c',
    "two\nlines",
    "\u202eright to left\u202c",
    "\u05d0\u05d1\u05d2 \u0634\u062d\u0645",
    "n" * 200,
    "<script>&amp;</script>",
    "{0} %s \\n",
    "\U0001f9ea",
    "--unit",
    "e\u0301",
)


def _with(case: Any, change: Mapping[str, list[Any]], options: Mapping[str, Any] | None = None) -> Any:
    return replace(case, columns={**case.columns, **change}, options={**case.options, **(options or {})})


def _each(case: Any, make: Callable[[list[Any]], list[Any]], names: tuple[str, ...] | None = None) -> Any:
    return _with(case, {name: make(case.columns[name]) for name in (case.results if names is None else names)})


def rows(case: Any, which: Any) -> Any:
    """The same study with these rows only."""
    return replace(case, columns={name: [cells[k] for k in which] for name, cells in case.columns.items()})


def scaled(case: Any, factor: float) -> Any:
    """The same study in another unit."""

    def times(x: Any) -> Any:
        if isinstance(x, tuple):
            return tuple(times(one) for one in x)
        return None if x is None else x * factor

    options = {key: times(case.options[key]) for key in case.scaled}
    return replace(_each(case, lambda cells: [times(x) for x in cells]), options={**case.options, **options})


def _length(case: Any) -> int:
    return len(next(iter(case.columns.values())))


def _middle(cells: list[Any]) -> float:
    return float(np.median([x for x in cells if x is not None]))


def few_rows(case: Any) -> Iterator[tuple[str, Any]]:
    n = _length(case)
    for k in (0, 1, 2, 3):
        yield f"first {k} rows", rows(case, range(min(k, n)))
    for k in (2, 3, 5):
        yield f"{k} rows from all over", rows(case, np.unique(np.linspace(0, n - 1, k).astype(int)))
    yield "twice the rows", rows(case, [*range(n), *range(n)])
    yield "row by row twice", rows(case, np.repeat(np.arange(n), 2))
    yield "one row again and again", rows(case, [n // 2] * 12)


def results(case: Any) -> Iterator[tuple[str, Any]]:
    """Results that do not scatter, scatter oddly, or lie where they should not."""
    if not case.results:
        return
    yield "all constant", _each(case, lambda c: [5.0] * len(c))
    yield "constant in 0.1", _each(case, lambda c: [0.1] * len(c))
    yield "all zero", _each(case, lambda c: [0.0] * len(c))
    yield "two values", _each(case, lambda c: [1.0 if x is None or x < _middle(c) else 2.0 for x in c])
    yield "one unlike the rest", _each(case, lambda c: [5.0] * (len(c) - 1) + [6.0])
    yield "negative", _each(case, lambda c: [-x for x in c])
    yield "about zero", _each(case, lambda c: [x - _middle(c) for x in c])
    yield "one zero", _each(case, lambda c: [0.0, *c[1:]])
    yield "one negative", _each(case, lambda c: [*c[:-1], -abs(c[-1])])
    yield "far outlier", _each(case, lambda c: [*c[:-1], 1e15 * max(map(abs, c))])
    yield "on top of 1e9", _each(case, lambda c: [1e9 + 1e-3 * x / (max(map(abs, c)) or 1.0) for x in c])
    for name in case.results:
        if len(case.results) > 1:
            yield f"constant {name}", _each(case, lambda c: [5.0] * len(c), (name,))
            yield f"zero {name}", _each(case, lambda c: [0.0] * len(c), (name,))
            yield f"negative {name}", _each(case, lambda c: [-x for x in c], (name,))
    first, rest = case.results[0], case.results[1:]
    yield "columns alike", _with(case, dict.fromkeys(rest, case.columns[first]))
    yield "columns opposed", _with(case, dict.fromkeys(rest, case.columns[first][::-1]))


def scales(case: Any) -> Iterator[tuple[str, Any]]:
    if case.results:
        for factor in (1e-12, 1e12, 1e-90, 1e90, 1e-290, 1e290, 5e-324):
            yield f"times {factor:g}", scaled(case, factor)
        yield "huge whole numbers", _each(case, lambda c: [int(1e6 * abs(x)) * 10**24 for x in c])
        yield "numbers near 2**63", _each(case, lambda c: [2**63 - 1 - int(1000 * abs(x)) for x in c])


def gaps(case: Any) -> Iterator[tuple[str, Any]]:
    """Missing cells, bounds, and what is no number at all."""
    every = (*case.results, *case.numbers, *case.labels)
    for name in every:
        yield f"{name} all missing", _each(case, lambda c: [None] * len(c), (name,))
        yield (
            f"{name} missing here and there",
            _each(case, lambda c: [None if k % 4 == 1 else x for k, x in enumerate(c)], (name,)),
        )
    for name in (*case.results, *case.numbers):
        yield f"{name} with text", _each(case, lambda c: ["much", *map(str, c[1:])], (name,))
        for bad in (math.nan, math.inf, -math.inf):
            yield f"{name} with {bad}", _each(case, lambda c, bad=bad: [*c[:-1], bad], (name,))
        for words, marks in (
            ("all below", ("<",)),
            ("all above", (">",)),
            ("some below", ("<", "", "", "")),
            ("some above", ("", ">", "", "")),
            ("below and above", ("<", "", ">", "")),
        ):
            yield (
                f"{name} {words}",
                _each(
                    case,
                    lambda c, m=marks: ["" if x is None else f"{m[k % len(m)]}{x!r}" for k, x in enumerate(c)],
                    (name,),
                ),
            )
    for name in case.numbers:
        for words, value in (("constant", 3.0), ("zero", 0.0), ("minus one", -1.0), ("huge", 1e300), ("half", 0.5)):
            yield f"{name} {words}", _each(case, lambda c, v=value: [v] * len(c), (name,))
        yield f"{name} negated", _each(case, lambda c: [None if x is None else -x for x in c], (name,))
        yield f"{name} one huge", _each(case, lambda c: [*c[:-1], 1e200], (name,))
        yield f"{name} one negative", _each(case, lambda c: [-3.0, *c[1:]], (name,))


def groups(case: Any) -> Iterator[tuple[str, Any]]:
    """Groups of one, of fifty, all of one name, or each row its own."""
    n = _length(case)
    for name in case.labels:
        cells = case.columns[name]
        names = list(dict.fromkeys(cells))
        yield f"{name} all alike", _each(case, lambda c: [c[0]] * len(c), (name,))
        yield f"{name} all alike, last", _each(case, lambda c: [c[-1]] * len(c), (name,))
        yield f"{name} all different", _each(case, lambda c: [f"{x}/{k}" for k, x in enumerate(c)], (name,))
        if len(names) > 1:
            one = [k for k in range(n) if cells[k] == names[0]]
            rest = [k for k in range(n) if cells[k] != names[0]]
            yield f"one row of the first {name}", rows(case, [one[0], *rest])
            yield f"one row of the others of {name}", rows(case, [*one, rest[0]])
            yield f"fifty rows of one {name}", rows(case, [*(one * 50)[:50], rest[0]])
            yield f"one and fifty of {name}", rows(case, [one[0], *(rest * 50)[:50]])
    if case.labels:
        yield "all names alike", _each(case, lambda c: [c[0]] * len(c), case.labels)
        yield "all names different", _each(case, lambda c: [f"{x}/{k}" for k, x in enumerate(c)], case.labels)


def names(case: Any) -> Iterator[tuple[str, Any]]:
    """Names of groups and columns that break careless output."""
    for shift in (0, 3, 6):
        change, told = {}, {}
        for name in case.labels:
            seen = list(dict.fromkeys(case.columns[name]))
            new = {old: f"{NASTY[(k + shift) % len(NASTY)]}{k // len(NASTY) or ''}" for k, old in enumerate(seen)}
            change[name] = [new[x] for x in case.columns[name]]
            told |= {key: new[v] for key, v in case.options.items() if isinstance(v, str) and v in new}
        if change and case.protocol != "budget":
            yield f"odd names of groups, {shift}", _with(case, change, told)
    for words, rename in (
        ("options", lambda k, _: f"--{('unit', 'result', 'design', 'json', 'level', 'help', 'x', 'y')[k % 8]}{k // 8}"),
        ("odd names", lambda k, _: f"{NASTY[k % len(NASTY)]} {k}"),
        ("commas", lambda _, name: f"{name}, and so on"),
        ("formats", lambda _, name: f"{name} %d {{x}} $\\frac{{1}}{{2}}$ [Pa]"),
    ):
        new = {name: rename(k, name) for k, name in enumerate(case.columns)}
        if case.protocol == "budget" and "model" in case.options and case.options.get("design") == "sets":
            continue
        told = {}
        for key, value in case.options.items():
            if isinstance(value, tuple):
                told[key] = tuple(new.get(v, v) if isinstance(v, str) else v for v in value)
            elif isinstance(value, str) and value in new and key not in ("positive", "own", "scale", "design"):
                told[key] = new[value]
        if case.protocol == "budget":
            told |= {key: new[key] for key in ("name", "value", "uncertainty", "shape", "df", "kind") if key in new}
            told |= {key: new[case.options[key]] for key in ("shape", "df") if key in case.options}
        columns = {new[name]: cells for name, cells in case.columns.items()}
        yield (
            f"columns named with {words}",
            replace(
                case,
                columns=columns,
                options={**case.options, **told},
                results=tuple(new[x] for x in case.results),
                numbers=tuple(new[x] for x in case.numbers),
                labels=tuple(new[x] for x in case.labels),
            ),
        )
    for name in case.columns:
        yield f"no column {name}", replace(case, columns={k: v for k, v in case.columns.items() if k != name})


FAMILIES = (few_rows, results, scales, gaps, groups, names)


def mutations(case: Any) -> Iterator[tuple[str, Any]]:
    """Every spoilt version of a study."""
    for family in FAMILIES:
        yield from family(case)
