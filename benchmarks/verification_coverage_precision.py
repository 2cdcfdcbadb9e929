"""How often intervals of standard deviations contain the truth: nominal against measured.

``python benchmarks/verification_coverage_precision.py --runs 2000`` prints a table; each verdict is that of the exact
binomial interval of the measured share. Designs are those a laboratory would run, and awkward ones: few outer groups,
unbalanced groups, components close to zero.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from stanch.verify.intervals import share_interval
from stanch.verify.precision import (
    ERROR,
    contrast_precision,
    crossed_anova,
    cv_from_log_sd,
    fresh_precision,
    nested_anova,
    verify_claim,
)
from stanch.verify.precision.components import Method
from stanch.verify.records import Bounded
from stanch.verify.variance_function import fit_variance_function

Rng = np.random.Generator
METHODS: tuple[Method, ...] = ("satterthwaite", "large-sample")


@dataclass(frozen=True)
class Hit:
    """One interval against its truth."""

    quantity: str
    method: str
    inside: bool
    below_upper: bool


def hit(quantity: str, method: str, found: Bounded, truth: float) -> Hit:
    low, high = found.low, found.high
    assert low is not None
    assert high is not None
    return Hit(quantity, method, low <= truth <= high, truth <= high)


def nested_rows(shape: tuple[int, ...], rng: Rng, *, ragged: bool) -> list[np.ndarray[Any, Any]]:
    """Group numbers of each factor; ragged groups hold 1 to 2 n - 1 where n is the plan."""
    columns: list[np.ndarray[Any, Any]] = []
    current = np.zeros(1, dtype=int)
    for depth, size in enumerate(shape):
        counts = np.full(current.size, size)
        if ragged and depth > 0:
            counts = rng.integers(1, 2 * size, current.size)
            counts[0] = max(2, counts[0])
        columns = [np.repeat(c, counts) for c in columns]
        current = np.arange(counts.sum())
        columns.append(current)
    return columns[:-1]


def nested(shape: tuple[int, ...], components: tuple[float, ...], ragged: bool) -> Callable[[Rng], Iterator[Hit]]:
    names = [f"f{k}" for k in range(len(shape) - 1)]
    plan = np.random.default_rng(11)
    columns = nested_rows(shape, plan, ragged=ragged)

    def once(rng: Rng) -> Iterator[Hit]:
        y = 100 + rng.normal(size=columns[-1].size) * components[-1] ** 0.5
        for column, variance in zip(columns, components, strict=False):
            y += rng.normal(size=column.max() + 1)[column] * variance**0.5
        found = nested_anova(y, dict(zip(names, columns, strict=True)), reml=False)
        sums = {"repeatability": [ERROR], "intermediate": [*names[1:], ERROR], "all": [*names, ERROR]}
        if len(names) == 1:
            del sums["intermediate"]
        for what, parts in sums.items():
            truth = sum(v for n, v in zip([*names, ERROR], components, strict=True) if n in parts) ** 0.5
            for method in METHODS:
                yield hit(what, method, found.total(parts, interval=method).sd, truth)

    return once


def crossed(a: int, b: int, n: int, components: tuple[float, float, float, float], keep: float) -> Any:
    plan = np.random.default_rng(12)
    rows_a, rows_b = np.repeat(np.arange(a), b * n), np.tile(np.repeat(np.arange(b), n), a)
    chosen = plan.random(rows_a.size) < keep
    rows_a, rows_b = rows_a[chosen], rows_b[chosen]

    def once(rng: Rng) -> Iterator[Hit]:
        va, vb, vab, ve = (v**0.5 for v in components)
        y = 100 + va * rng.normal(size=a)[rows_a] + vb * rng.normal(size=b)[rows_b]
        y += vab * rng.normal(size=(a, b))[rows_a, rows_b] + ve * rng.normal(size=rows_a.size)
        found = crossed_anova(y, {"sample": rows_a, "operator": rows_b}, reml=False)
        truth = sum(components[1:]) ** 0.5
        for method in METHODS:
            yield hit("repeatability", method, found.total([ERROR], interval=method).sd, components[3] ** 0.5)
            parts = [name for name in found.names if name != "sample"]
            yield hit("operator + interaction + error", method, found.total(parts, interval=method).sd, truth)

    return once


def fresh(donors: int, components: tuple[float, float, float]) -> Callable[[Rng], Iterator[Hit]]:
    donor = np.repeat(np.arange(donors), 8)
    operator = np.tile(np.repeat([0, 1], 4), donors)
    well = np.tile(np.repeat([0, 1], 2), 2 * donors)

    def once(rng: Rng) -> Iterator[Hit]:
        vo, vw, ve = (v**0.5 for v in components)
        logs = 6 + 0.6 * rng.normal(size=donors)[donor] + vo * rng.normal(size=(donors, 2))[donor, operator]
        logs += vw * rng.normal(size=(donors, 2, 2))[donor, operator, well] + ve * rng.normal(size=donor.size)
        for method in METHODS:
            found = fresh_precision(
                np.exp(logs), donor, {"operator": operator, "well": well}, interval=method, reml=False
            )[0]
            for key, variance in (("repeatability", components[2]), ("across operator", sum(components))):
                truth = float(np.sqrt(np.expm1(variance)))
                assert found.cv[key] == cv_from_log_sd(found.sums[key].sd)
                yield hit(f"CV, {key}", method, found.cv[key], truth)

    return once


def contrast(samples: int) -> Callable[[Rng], Iterator[Hit]]:
    sample = np.repeat(np.arange(samples), 2)

    def once(rng: Rng) -> Iterator[Hit]:
        shared = 0.03 * rng.normal(size=sample.size)
        level = 6 + 0.5 * rng.normal(size=samples)[sample]
        base = np.exp(level + shared + 0.04 * rng.normal(size=sample.size))
        other = np.exp(level - 0.7 + shared + 0.05 * rng.normal(size=sample.size))
        found = contrast_precision(base, other, sample, kind="ratio", reml=False)
        yield hit("SD of a log ratio", "satterthwaite", found.repeatability.sd, (0.04**2 + 0.05**2) ** 0.5)

    return once


def claims(rng: Rng) -> Iterator[Hit]:
    day = np.tile(np.repeat(np.arange(5), 5), 3)
    level = np.repeat(np.arange(3), 25)
    y = 100 + rng.normal(size=(3, 5))[level, day] * 0.8 + rng.normal(size=75)
    found = verify_claim(
        y, {"day": day}, claimed_repeatability=1.0, claimed_intermediate=(1 + 0.64) ** 0.5, level=level
    )
    passed = all(f.repeatability.met for f in found)
    yield Hit("claim, repeatability at 3 levels: all true claims pass", "verification limit", passed, passed)
    passed = all(f.intermediate is not None and f.intermediate.met for f in found)
    yield Hit("claim, intermediate at 3 levels: all true claims pass", "verification limit", passed, passed)


def variance_functions(rng: Rng) -> Iterator[Hit]:
    x, df = np.array([5.0, 20, 80, 300, 1000]), np.full(5, 20.0)
    truth = np.hypot(2, 0.05 * x)
    sd = truth * np.sqrt(rng.chisquare(df) / df)
    found = fit_variance_function(x, sd, df, form="both")
    free = fit_variance_function(x, sd, df)
    for at in (5.0, 40.0, 1000.0):
        true = float(np.hypot(2, 0.05 * at))
        yield hit(f"SD at {at:g}", "form both", found.interval(at), true)
        yield hit(f"SD at {at:g}", "form auto", free.interval(at), true)


STUDIES: dict[str, Callable[[Rng], Iterator[Hit]]] = {
    "20 days x 2 runs x 2, components 1, 0.5, 1": nested((20, 2, 2), (1, 0.5, 1), False),
    "20 days x 2 runs x 2, components 0.05, 0.05, 1": nested((20, 2, 2), (0.05, 0.05, 1), False),
    "5 days x 5, components 1, 1": nested((5, 5), (1, 1), False),
    "5 days x 5, components 0.05, 1": nested((5, 5), (0.05, 1), False),
    "3 sites x 5 days x 5, components 1, 0.5, 1": nested((3, 5, 5), (1, 0.5, 1), False),
    "3 sites x 5 days x 5, components 0.05, 0.2, 1": nested((3, 5, 5), (0.05, 0.2, 1), False),
    "5 sites x 5 days x 4, components 4, 0.5, 1": nested((5, 5, 4), (4, 0.5, 1), False),
    "8 sites x 3 days x 3, components 4, 0.5, 1": nested((8, 3, 3), (4, 0.5, 1), False),
    "11 sites x 3 days x 3, components 4, 0.5, 1": nested((11, 3, 3), (4, 0.5, 1), False),
    "unbalanced: 12 days x about 2 runs x about 3, components 1, 0.5, 1": nested((12, 2, 3), (1, 0.5, 1), True),
    "unbalanced: 12 days x about 2 runs x about 3, components 0.05, 0.05, 1": nested((12, 2, 3), (0.05, 0.05, 1), True),
    "unbalanced: 6 sites x about 4 days x about 3, components 2, 0.5, 1": nested((6, 4, 3), (2, 0.5, 1), True),
    "crossed 10 samples x 3 operators x 2, components 25, 0.5, 0.3, 1": crossed(10, 3, 2, (25, 0.5, 0.3, 1), 1.0),
    "crossed 10 samples x 8 operators x 2, components 25, 0.5, 0.3, 1": crossed(10, 8, 2, (25, 0.5, 0.3, 1), 1.0),
    "crossed, 30 % missing: 12 x 6 x 2, components 25, 0.5, 0.3, 1": crossed(12, 6, 2, (25, 0.5, 0.3, 1), 0.7),
    "fresh, 20 donors, log SD 0.03, 0.02, 0.04": fresh(20, (0.03**2, 0.02**2, 0.04**2)),
    "fresh, 10 donors, log SD 0.005, 0.01, 0.3": fresh(10, (0.005**2, 0.01**2, 0.3**2)),
    "contrast, 30 samples in duplicate": contrast(30),
    "claims of 5 days x 5": claims,
    "variance function, 5 levels, 20 degrees of freedom each": variance_functions,
}


def counted(number: int, runs: int, seed: int) -> Iterator[tuple[str, str, int, int]]:
    """Quantity, method, intervals that hold the truth and upper ends above it, of one study."""
    once = list(STUDIES.values())[number]
    rng = np.random.default_rng([seed, number])
    inside: dict[tuple[str, str], int] = defaultdict(int)
    upper: dict[tuple[str, str], int] = defaultdict(int)
    for _ in range(runs):
        for h in once(rng):
            inside[h.quantity, h.method] += h.inside
            upper[h.quantity, h.method] += h.below_upper
    for (quantity, method), hits in inside.items():
        yield quantity, method, hits, upper[quantity, method]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--nominal", type=float, default=0.95)
    parser.add_argument("--only", default="", help="studies whose title contains this")
    settings = parser.parse_args()
    started = time.process_time()
    print(f"{settings.runs} runs, seed {settings.seed}, nominal {settings.nominal:.1%} two-sided")
    for number, title in enumerate(STUDIES):
        if settings.only not in title:
            continue
        print(f"\n{title}")
        for quantity, method, hits, high in counted(number, settings.runs, settings.seed):
            share = share_interval(hits, settings.runs)
            assert share.low is not None
            assert share.high is not None
            verdict = "as stated"
            if share.high < settings.nominal:
                verdict = "TOO LOW"
            elif share.low > settings.nominal:
                verdict = "higher"
            above = high / settings.runs
            print(
                f"  {quantity:34} {method:18} {share.value:7.2%} [{share.low:.2%}, {share.high:.2%}] {verdict:10}"
                f" below the upper end {above:.2%}"
            )
    print(f"\n{time.process_time() - started:.0f} s of processor time")


if __name__ == "__main__":
    main()
