"""Coverage of the intervals of reference limits, areas under the curve and cut-offs, on invented data of known truth.

    python benchmarks/verification_coverage_limits.py --runs 2000
    python benchmarks/verification_coverage_limits.py --only area --runs 500

Each line: what, nominal coverage, measured coverage, exact two-sided binomial p against the nominal one, and the
verdict at p < 0.001. Ranks cannot reach a level exactly: their nominal value is what the binomial distribution gives
for the ranks in use.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from stanch.verify.discrimination import area, area_interval, choose_cutoff, cutoff_uncertainty, marks
from stanch.verify.records import Bounded
from stanch.verify.reference_limits import (
    ReferenceLimits,
    bootstrap_limits,
    box_cox_limits,
    nonparametric_limits,
    normal_limits,
    rank_interval,
    robust_limits,
)

Floats = NDArray[np.float64]
LEVEL = 0.90
POPULATIONS = {
    "normal": stats.norm(10.0, 1.5),
    "log-normal": stats.lognorm(0.5, scale=10.0),
    "gamma": stats.gamma(4.0, scale=2.5),
}
LIMITS: tuple[tuple[str, Callable[[Floats, int], ReferenceLimits], tuple[int, ...], tuple[str, ...]], ...] = (
    ("non-parametric", lambda x, _s: nonparametric_limits(x), (120, 200, 400), ("normal", "log-normal", "gamma")),
    ("bootstrap", lambda x, s: bootstrap_limits(x, draws=1000, seed=s), (120, 400), ("normal", "log-normal")),
    ("robust", lambda x, s: robust_limits(x, draws=1000, seed=s), (40, 120), ("normal",)),
    ("robust", lambda x, s: robust_limits(x, draws=1000, seed=s), (40,), ("log-normal",)),
    ("robust, log", lambda x, s: robust_limits(x, draws=1000, seed=s, logarithm=True), (40, 120), ("log-normal",)),
    ("box-cox", lambda x, _s: box_cox_limits(x), (40, 120, 200, 400), ("normal", "log-normal", "gamma")),
    ("normal", lambda x, _s: normal_limits(x), (20, 120), ("normal",)),
    ("log-normal", lambda x, _s: normal_limits(x, logarithm=True), (20, 120), ("log-normal",)),
)


@dataclass(frozen=True)
class Line:
    what: str
    nominal: float
    hits: int
    runs: int

    @property
    def p(self) -> float:
        return float(stats.binomtest(self.hits, self.runs, self.nominal).pvalue)

    @property
    def verdict(self) -> str:
        if self.p >= 0.001:
            return "holds"
        return "too narrow" if self.hits / self.runs < self.nominal else "wider than it says"

    def __str__(self) -> str:
        return f"{self.what:46} {self.nominal:8.4f} {self.hits / self.runs:8.4f} {self.p:10.2g}  {self.verdict}"


def holds(number: Bounded | None, truth: float) -> bool:
    if number is None or number.low is None or number.high is None:
        return False
    return number.low <= truth <= number.high


def attained(n: int, p: float, level: float = LEVEL) -> float:
    low, high = rank_interval(n, p, level)
    assert low is not None
    assert high is not None
    return float(special.bdtr(high - 1.0, n, p) - special.bdtr(low - 1.0, n, p))


def limits(runs: int, seed: int) -> Iterator[Line]:
    for method, made, sizes, populations in LIMITS:
        for name in populations:
            truth = POPULATIONS[name].ppf([0.025, 0.975])
            for n in sizes:
                rng = np.random.default_rng([seed, n])
                hits = [0, 0]
                for run in range(runs):
                    found = made(POPULATIONS[name].rvs(n, random_state=rng), run)
                    hits[0] += holds(found.lower, truth[0])
                    hits[1] += holds(found.upper, truth[1])
                for k, which in enumerate(("lower", "upper")):
                    nominal = attained(n, (0.025, 0.975)[k]) if method == "non-parametric" else LEVEL
                    yield Line(f"{method}, {name}, n {n}, {which}", nominal, hits[k], runs)


def areas(runs: int, seed: int) -> Iterator[Line]:
    for truth in (0.7, 0.9, 0.97):
        apart = float(np.sqrt(2) * special.ndtri(truth))
        for n in (20, 50, 100):
            rng = np.random.default_rng([seed, n, int(100 * truth)])
            hits = {"wald": 0, "logit": 0, "score": 0}
            for _ in range(runs):
                x = np.concatenate([rng.normal(apart, 1, n), rng.normal(0, 1, n)])
                found = marks(x, np.arange(2 * n) < n)
                for kind in ("wald", "logit"):
                    hits[kind] += holds(area(found, interval=kind).area, truth)
                one = area(found)
                assert one.area.value is not None
                low, high = area_interval(one.area.value, None, n, n, interval="score")
                hits["score"] += low <= truth <= high
            for kind, count in hits.items():
                yield Line(f"area {truth}, {n} + {n} people, {kind}", 0.95, count, runs)


def cutoffs(runs: int, seed: int) -> Iterator[Line]:
    apart = 2.0
    truths = {"youden": apart / 2, "sensitivity": apart + float(special.ndtri(0.1))}
    for rule, truth in truths.items():
        wanted = None if rule == "youden" else 0.9
        for n in (50, 200):
            rng = np.random.default_rng([seed, n])
            hits, apparent, corrected, real = 0, 0.0, 0.0, 0.0
            for run in range(runs):
                x = np.concatenate([rng.normal(apart, 1, n), rng.normal(0, 1, n)])
                found = marks(x, np.arange(2 * n) < n)
                own = choose_cutoff(found, rule, wanted=wanted)
                moved = cutoff_uncertainty(found, rule, wanted=wanted, draws=500, seed=run)
                hits += holds(moved.value, truth)
                apparent += own.sensitivity + own.specificity
                corrected += moved.sensitivity + moved.specificity
                real += float(special.ndtr(apart - own.value) + special.ndtr(own.value))
            nominal = 0.95 if wanted is None else attained(n, 1 - wanted, 0.95)
            yield Line(f"cut-off by {rule}, {n} + {n} people", nominal, hits, runs)
            print(
                f"    sensitivity + specificity: found {apparent / runs:.4f}, corrected {corrected / runs:.4f}, "
                f"of the same cut-offs in the population {real / runs:.4f}",
                flush=True,
            )


STUDIES = {"limits": limits, "area": areas, "cut-off": cutoffs}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(STUDIES), action="append")
    given = parser.parse_args()
    print(f"{'what':46} {'nominal':>8} {'measured':>8} {'p':>10}  verdict")
    for name in given.only or STUDIES:
        for line in STUDIES[name](given.runs, given.seed):
            print(line, flush=True)


if __name__ == "__main__":
    main()
