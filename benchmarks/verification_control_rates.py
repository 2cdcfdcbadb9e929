"""Exact rates of control rules and charts against simulation, and the size of the lot and score decisions.

    python benchmarks/verification_control_rates.py --runs 2000 --seed 1

Rules: series of independent normal results are judged from empty memory; the share rejected in the first run and within
ten runs is compared with the exact chain, and the mean run length with it in standard errors. Charts with memory: mean
run length against the integral equation. Lot change: share of simulated studies that claim equivalence when the true
difference lies on the limit (at most alpha) and when there is none (the exact power); coverage of the signed-rank
interval. Rounds: share of participants beyond 3 by z against the stated standard deviation. Verdicts are exact binomial
at p < 0.001 (shares) or 3.29 standard errors (means).
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from stanch.verify.control import (
    CANDIDATES,
    Rule,
    cumulative_sums,
    cusum_run_length,
    ewma_run_length,
    judge,
    rates,
    simulated_rates,
    weighted_averages,
)
from stanch.verify.external import algorithm_a
from stanch.verify.lots import lot_change, paired_power

SETS: dict[str, tuple[tuple[Rule, ...], int]] = {
    "one beyond 3 SD, 1 per run": ((Rule(beyond=3.0),), 1),
    "one beyond 2 SD, 2 per run": ((Rule(beyond=2.0),), 2),
    "five rules, 1 per run": (CANDIDATES["3 SD, pairs, opposites, fours and tens"], 1),
    "five rules, 2 per run": (CANDIDATES["3 SD, pairs, opposites, fours and tens"], 2),
    "five rules, 4 per run": (CANDIDATES["3 SD, pairs, opposites, fours and tens"], 4),
    "two of three, 3 per run": (CANDIDATES["3 SD, two of three, opposites and threes"], 3),
    "pairs by level, 2 per run": ((Rule(beyond=3.0), Rule("beyond", 2, 2, 2.0, True, "level")), 2),
}
OUT: list[bool] = []
SHARES: list[tuple[str, int, int, float, str]] = []
"""Every share judged: name, count, of how many, nominal, alternative."""


def share(name: str, count: int, of: int, nominal: float, alternative: str = "two-sided") -> None:
    """One line: nominal, measured, and the exact binomial verdict."""
    p = float(stats.binomtest(count, of, nominal, alternative=alternative).pvalue)
    OUT.append(p >= 1e-3)
    SHARES.append((name, count, of, nominal, alternative))
    print(f"{name:58} {nominal:9.5f} {count / of:9.5f} {p:8.3f}  {'agrees' if p >= 1e-3 else 'DIFFERS'}")


def mean(name: str, found: float, error: float, nominal: float) -> None:
    """One line: exact and simulated mean, and their distance in standard errors."""
    z = (found - nominal) / error
    OUT.append(abs(z) < 3.29)
    print(f"{name:58} {nominal:9.3f} {found:9.3f} {z:8.2f}  {'agrees' if abs(z) < 3.29 else 'DIFFERS'}")


def of_rules(runs: int, seed: int) -> None:
    """Rule sets at no error, a shift and more scatter."""
    draw = np.random.default_rng(seed)
    for name, (rules, per_run) in SETS.items():
        for shift, spread in ((0.0, 1.0), (1.5, 1.0), (0.0, 1.8)):
            label = f"{name}, shift {shift:g}, spread {spread:g}"
            exact = rates(rules, per_run=per_run, shift=shift, spread=spread)
            z = shift + spread * draw.standard_normal(runs * 10 * per_run)
            found = judge(
                rules,
                z,
                run=np.repeat(np.arange(runs * 10), per_run),
                level=np.tile(np.arange(per_run), runs * 10),
                series=np.repeat(np.arange(runs), 10 * per_run),
            )
            hit = found.rejected.any(axis=0).reshape(runs, 10)
            share(label + ": first run", int(hit[:, 0].sum()), runs, exact.fresh)
            # Hardly a series lives twenty times the mean; those that do count as far as they were watched.
            cap = int(min(3000, 20 * exact.mean_run_length + 50))
            seen = simulated_rates(rules, per_run=per_run, shift=shift, spread=spread, series=runs, runs=cap, seed=seed)
            mean(label + ": run length", seen.mean_run_length, seen.error, exact.mean_run_length)


def first_signals(signals: Callable[[np.ndarray], np.ndarray], shift: float, runs: int, seed: int) -> np.ndarray:
    """Place of the first signal in each of so many series."""
    draw = np.random.default_rng(seed)
    places = []
    for _ in range(runs):
        x = draw.normal(shift, 1, 2000)
        hit = signals(x)
        while not hit.any():
            x = np.concatenate([x, draw.normal(shift, 1, 2000)])
            hit = signals(x)
        places.append(int(hit.argmax()) + 1)
    return np.array(places)


def of_charts(runs: int, seed: int) -> None:
    """Cumulative sums and weighted averages."""
    for shift in (0.0, 0.75, 2.0):
        for k, h, head in ((0.5, 4.0, 0.0), (0.5, 4.0, 2.0)):

            def sums(x: np.ndarray, k: float = k, h: float = h, head: float = head) -> np.ndarray:
                made = cumulative_sums(x, target=0.0, k=k, h=h, headstart=head)
                return made.signal_high | made.signal_low

            seen = first_signals(sums, shift, runs, seed)
            exact = cusum_run_length(k, h, shift=shift, headstart=head)
            mean(f"CUSUM k {k:g} h {h:g} start {head:g}, shift {shift:g}", seen.mean(), _se(seen), exact)
        for limits in ("varying", "asymptotic"):

            def averages(x: np.ndarray, limits: str = limits) -> np.ndarray:
                made = weighted_averages(x, centre=0.0, sigma=1.0, weight=0.2, width=2.7, limits=limits)  # type: ignore[arg-type]
                return made.signal

            seen = first_signals(averages, shift, runs, seed)
            exact = ewma_run_length(0.2, 2.7, shift=shift, limits=limits)  # type: ignore[arg-type]
            mean(f"EWMA 0.2, 2.7, {limits}, shift {shift:g}", seen.mean(), _se(seen), exact)


def _se(x: np.ndarray) -> float:
    return float(x.std(ddof=1)) / math.sqrt(x.size)


def of_lots(runs: int, seed: int) -> None:
    """Size and power of lot decisions, coverage of the signed-rank interval."""
    draw = np.random.default_rng(seed)
    for n in (6, 20):
        for method in ("t", "signed-rank"):
            claims = {0.0: 0, 1.0: 0}
            covered = 0
            for _ in range(runs):
                old = draw.normal(50, 10, n)
                scatter = draw.normal(0, 1, n)
                for true in claims:
                    found = lot_change(old, old + true + scatter, allowed=1.0, method=method)  # type: ignore[arg-type]
                    claims[true] += found.outcome == "met"
                assert found.deciding is not None
                low, high = found.deciding.low, found.deciding.high
                covered += low is not None and high is not None and low <= 1.0 <= high
            share(f"lot change, {method}, {n} pairs, on the limit", claims[1.0], runs, 0.05, "greater")
            if method == "t":
                share(f"lot change, t, {n} pairs, no difference", claims[0.0], runs, paired_power(n, 1.0, 1.0))
                share(f"lot change, t, {n} pairs, 90 % interval", covered, runs, 0.90)
            else:
                share(f"lot change, ranks, {n} pairs, 90 % interval (at least)", covered, runs, 0.90, "less")


def of_rounds(runs: int, seed: int) -> None:
    """The uncertainty stated for the robust mean, and the share beyond 3 of a stated standard deviation."""
    draw = np.random.default_rng(seed)
    for n in (8, 20, 60):
        covered = beyond = total = 0
        for _ in range(runs):
            x = draw.normal(100, 5, n)
            found = algorithm_a(x)
            covered += abs(found.value - 100) <= 2 * found.uncertainty
            beyond += int((np.abs((x - 100) / 5) >= 3).sum())
            total += n
        print(f"{f'robust mean of {n} within 2 standard uncertainties':58} {'':9} {covered / runs:9.5f}")
        share(f"z of {n} participants at or beyond 3", beyond, total, 2 * float(stats.norm.sf(3.0)))


def main() -> int:
    """Print every line; 1 when one differs."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=int, default=2000, help="simulated series or studies of each line")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(f"{'what':58} {'nominal':>9} {'measured':>9} {'p or z':>8}")
    for part in (of_rules, of_charts, of_lots, of_rounds):
        part(given.runs, given.seed)
    print(f"{sum(OUT)} of {len(OUT)} agree")
    return 0 if all(OUT) else 1


if __name__ == "__main__":
    raise SystemExit(main())
