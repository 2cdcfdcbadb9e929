"""Published values of the statistics, computed again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.selfcheck.records import Check
from stanch.selfcheck.values import document, rows

__all__ = ["statistics"]

Floats = NDArray[np.float64]


def statistics() -> Iterator[Check]:
    """Certified values of public reference data: variance components, regression, control charts.

    Yields
    ------
    Check
    """
    yield from _components()
    yield from _regression()
    yield from _charts()


def _column(slug: str, file: str, name: str) -> Floats:
    return np.array([float(row[name]) for row in rows(slug, file)])


def _components() -> Iterator[Check]:
    from stanch.verify.precision import ERROR, nested_anova

    slug = "nist-anova"
    certified = rows(slug, "certified.csv")
    for file in dict.fromkeys(row["file"] for row in certified):
        data = rows(slug, f"{file}.csv")
        found = nested_anova([float(row["y"]) for row in data], {"group": [row["group"] for row in data]}, reml=False)
        group, error = found["group"], found[ERROR]
        here = {"ss_between": group.ss, "ss_within": error.ss, "f": group.ms / error.ms}
        for row in certified:
            if row["file"] == file and row["quantity"] in here:
                value = float(row["value"])
                name = f"{file}: {row['quantity'].replace('_', ' ')}"
                allowed = abs(value) * float(row["relative_tolerance"])
                yield Check("statistics", name, slug, value, here[row["quantity"]], allowed)


def _regression() -> Iterator[Check]:
    from stanch.verify.regression import nonlinear, polynomial

    slug = "nist-regression"
    certified = document(slug, "certified.toml")
    for file, order in (("norris", 1), ("pontius", 2)):
        line = polynomial(_column(slug, f"{file}.csv", "x"), _column(slug, f"{file}.csv", "y"), order)
        yield from _estimates(slug, file, certified[file]["estimates"], line.coefficients, 1e-10)

    def saturating(x: Floats, b1: float, b2: float) -> Floats:
        return b1 * (1 - np.exp(-b2 * x))

    x, y = (_column(slug, "misra1a.csv", name) for name in "xy")
    curve = nonlinear(saturating, x, y, certified["misra1a"]["starts"][0])
    yield from _estimates(slug, "misra1a", certified["misra1a"]["estimates"], curve.parameters, 1e-8)


def _estimates(slug: str, file: str, printed: Sequence[str], found: Floats, relative: float) -> Iterator[Check]:
    for k, (text, number) in enumerate(zip(printed, found, strict=True)):
        value = float(text)
        yield Check("statistics", f"{file}: estimate {k}", slug, value, float(number), relative * abs(value))


def _charts() -> Iterator[Check]:
    from stanch.verify.control import cumulative_sums, individuals, weighted_averages

    slug = "nist-control-charts"
    printed = document(slug, "printed.toml")
    flow = individuals(_column(slug, "flowrate.csv", "x"), rounded=True)
    ewma = printed["ewma"]
    weighted = weighted_averages(
        _column(slug, "ewma.csv", "x"),
        centre=ewma["start"],
        sigma=ewma["sd"],
        weight=ewma["weight"],
        limits="asymptotic",
    )
    # The handbook rounds the factor of the EWMA limits, so their last digit is off by one or two.
    for name, chart, tolerance in (("flowrate", flow, 5.1e-5), ("ewma", weighted, 2e-4)):
        for end, value in (("low", chart.low[0]), ("high", chart.high[0])):
            yield Check("statistics", f"{name}: {end} limit", slug, printed[name][end], float(value), tolerance)
    sums = printed["cusum"]
    found = cumulative_sums(_column(slug, "cusum.csv", "x"), target=sums["target"], k=sums["k"], h=sums["h"])
    first = float(found.first or 0)
    yield Check("statistics", "cusum: first signal", slug, float(sums["first_signal"]), first, 0.0)
