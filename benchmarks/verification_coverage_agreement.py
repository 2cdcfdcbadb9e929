"""How often intervals of an agreement study hold the truth: nominal against measured, with an exact binomial verdict.

``python benchmarks/verification_coverage_agreement.py --runs 2000 --seed 1``

Each row counts the runs whose interval holds the true value. The verdict compares the count with the nominal share by
its exact (Clopper-Pearson) 99 % interval: ``as stated`` when the nominal share lies inside, ``wide`` when the measured
share is above it, ``SHORT`` when it is below.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator

import numpy as np

from stanch.errors import InputError
from stanch.verify.agreement import (
    cusum_linearity,
    deming,
    known_errors,
    limits_from_ranks,
    limits_of_agreement,
    limits_with_repeats,
    passing_bablok,
    weighted_deming,
)
from stanch.verify.intervals import share_interval
from stanch.verify.records import Bounded

A, B, LEVEL = 5.0, 1.05, 150.0
Rng = np.random.Generator
Hits = dict[str, bool]


def holds(found: Bounded, truth: float) -> bool:
    low = -math.inf if found.low is None else found.low
    high = math.inf if found.high is None else found.high
    return low <= truth <= high


def pairs(rng: Rng, n: int, sd: float = 8.0, ratio: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A true line with constant errors; `ratio` is the variance of x errors over that of y errors."""
    true = rng.uniform(50.0, 300.0, n)
    return true + rng.normal(0, sd * math.sqrt(ratio), n), A + B * true + rng.normal(0, sd, n)


def proportional(rng: Rng, n: int, cv: float = 0.06) -> tuple[np.ndarray, np.ndarray]:
    true = np.exp(rng.uniform(math.log(30.0), math.log(600.0), n))
    return true * (1 + cv * rng.normal(size=n)), (A + B * true) * (1 + cv * rng.normal(size=n))


def line_hits(name: str, line: object) -> Hits:
    intercept, slope, bias = line.intercept, line.slope, line.bias_at(LEVEL)  # type: ignore[attr-defined]
    return {
        f"{name}: intercept": holds(intercept, A),
        f"{name}: slope": holds(slope, B),
        f"{name}: bias at a level": holds(bias, A + (B - 1) * LEVEL),
    }


def deming_run(rng: Rng) -> Hits:
    out: Hits = {}
    for n in (20, 60):
        for ratio in (1.0, 4.0):
            x, y = pairs(rng, n, ratio=ratio)
            for kind in ("jackknife", "analytic"):
                line = deming(x, y, error_ratio=ratio, interval=kind)
                out |= line_hits(f"Deming, {kind}, ratio {ratio:g}, n = {n}", line)
    return out


def weighted_run(rng: Rng) -> Hits:
    out: Hits = {}
    for n in (20, 60):
        out |= line_hits(f"weighted Deming, jackknife, n = {n}", weighted_deming(*proportional(rng, n)).line)
    return out


def known_run(rng: Rng) -> Hits:
    n = 30
    true = rng.uniform(50.0, 300.0, n)
    u, v = rng.uniform(2, 12, n), rng.uniform(2, 12, n)
    x, y = true + u * rng.normal(size=n), A + B * true + v * rng.normal(size=n)
    return line_hits("known errors, n = 30", known_errors(x, y, u, v).line)


def rank_run(rng: Rng) -> Hits:
    out: Hits = {}
    for n in (20, 60, 300):
        x, y = pairs(rng, n)
        found = passing_bablok(x, y, bias_interval="influence")
        out |= line_hits(f"Passing-Bablok, bias by influence, n = {n}", found.line)
        straight = cusum_linearity(x, y, found.line.a, found.line.b)
        out[f"Passing-Bablok, linearity test keeps a true line at 5 %, n = {n}"] = straight.p >= 0.05
    return out


def general_run(rng: Rng) -> Hits:
    """Methods in different units: slope 0.0105, errors alike in proportion."""
    out: Hits = {}
    for n in (40, 300):
        x, y = pairs(rng, n)
        line = passing_bablok(x, y / 100, relation="general", bias_interval="influence").line
        truth = {"intercept": (line.intercept, A / 100), "slope": (line.slope, B / 100)}
        truth["intercept with the interval of a bias"] = (line.bias_at(0.0), A / 100)
        for what, (found, value) in truth.items():
            out[f"Passing-Bablok, general relation, n = {n}: {what}"] = holds(found, value)
    return out


def resampled_run(rng: Rng) -> Hits:
    n = 40
    found = passing_bablok(*pairs(rng, n), bias_interval="bootstrap", draws=300)
    return {
        f"Passing-Bablok, bias by bootstrap, n = {n}: bias at a level": holds(
            found.line.bias_at(LEVEL), A + (B - 1) * LEVEL
        )
    }


def limit_run(rng: Rng) -> Hits:
    out: Hits = {}
    for n in (10, 40):
        true = rng.uniform(50.0, 300.0, n)
        x, y = true, true + 3.0 + 7.0 * rng.normal(size=n)
        for kind in ("exact", "1999", "1986"):
            found = limits_of_agreement(x, y, interval=kind)
            out[f"limits of agreement, {kind}, n = {n}: lower"] = holds(found.lower, 3.0 - 1.96 * 7.0)
            out[f"limits of agreement, {kind}, n = {n}: upper"] = holds(found.upper, 3.0 + 1.96 * 7.0)
        out[f"limits of agreement, n = {n}: bias"] = holds(found.bias, 3.0)
    n, tail = 400, 1.959963984540054
    ranked = limits_from_ranks(3.0 + 7.0 * rng.normal(size=n))
    out[f"limits by rank, n = {n}: lower"] = holds(ranked.lower, 3.0 - tail * 7.0)
    out[f"limits by rank, n = {n}: median"] = holds(ranked.median, 3.0)
    return out


def repeated_run(rng: Rng) -> Hits:
    out: Hits = {}
    n = 25
    # Constant truth: subject by method 3, within x 4, within y 6; unequal numbers of readings.
    m_x, m_y = rng.integers(1, 4, n), rng.integers(2, 5, n)
    lean = 3.0 * rng.normal(size=n) + 2.0
    true = rng.uniform(50, 300, n)
    s_x, s_y = np.repeat(np.arange(n), m_x), np.repeat(np.arange(n), m_y)
    x = true[s_x] + 4.0 * rng.normal(size=s_x.size)
    y = true[s_y] + lean[s_y] + 6.0 * rng.normal(size=s_y.size)
    sd = math.sqrt(9.0 + 16.0 + 36.0)
    found = limits_with_repeats(s_x, x, s_y, y, truth="constant").limits
    out[f"repeated, constant truth, n = {n}: lower"] = holds(found.lower, 2.0 - 1.96 * sd)
    out[f"repeated, constant truth, n = {n}: upper"] = holds(found.upper, 2.0 + 1.96 * sd)
    s = np.repeat(np.arange(n), rng.integers(2, 6, n))
    x = true[s] + 20.0 * rng.normal(size=s.size)
    y = x + 2.0 + 4.0 * rng.normal(size=n)[s] + 5.0 * rng.normal(size=s.size)
    sd = math.sqrt(41.0)
    found = limits_with_repeats(s, x, s, y, truth="varying").limits
    out[f"repeated, varying truth, n = {n}: lower"] = holds(found.lower, 2.0 - 1.96 * sd)
    out[f"repeated, varying truth, n = {n}: upper"] = holds(found.upper, 2.0 + 1.96 * sd)
    return out


STUDIES: dict[str, Callable[[Rng], Hits]] = {
    "deming": deming_run,
    "weighted-deming": weighted_run,
    "known-errors": known_run,
    "passing-bablok": rank_run,
    "passing-bablok-general": general_run,
    "passing-bablok-bootstrap": resampled_run,
    "limits": limit_run,
    "repeated": repeated_run,
}


def study(name: str, runs: int, seed: int) -> Iterator[tuple[str, int, int]]:
    """Label, intervals that hold the truth, and runs that gave one."""
    seeds = np.random.SeedSequence([seed, sorted(STUDIES).index(name)]).spawn(runs)
    count: dict[str, int] = {}
    done = refused = 0
    for one in seeds:
        try:
            hits = STUDIES[name](np.random.default_rng(one))
        except InputError:
            refused += 1
            continue
        done += 1
        for label, hit in hits.items():
            count[label] = count.get(label, 0) + int(hit)
    for label, hits_of in count.items():
        yield label, hits_of, done
    if refused:
        yield f"{name}: runs that were refused, of {runs}", refused, 0


def verdict(hits: int, runs: int, nominal: float = 0.95) -> str:
    found = share_interval(hits, runs, level=0.99)
    assert found.low is not None
    assert found.high is not None
    return "as stated" if found.low <= nominal <= found.high else "wide" if found.low > nominal else "SHORT"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(STUDIES), action="append")
    given = parser.parse_args()
    print(f"{'interval':66} {'nominal':>8} {'measured':>9} {'runs':>6}  verdict")
    for name in given.only or STUDIES:
        start = time.process_time()
        for label, hits, runs in study(name, given.runs, given.seed):
            if not runs:
                print(f"{label:66} {'':8} {hits:9d}")
                continue
            print(f"{label:66} {0.95:8.3f} {hits / runs:9.4f} {runs:6d}  {verdict(hits, runs)}", flush=True)
        print(f"  ({name}: {time.process_time() - start:.0f} s of processor time)", flush=True)


if __name__ == "__main__":
    main()
