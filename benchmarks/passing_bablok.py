"""Time and memory of an exact Passing-Bablok line on many points.

``python benchmarks/passing_bablok.py --points 100000``

Prints process time, wall time and the highest resident memory of the whole process, interpreter and compiled code
included. The first call compiles (or loads) the kernel and is timed apart. Kinds: ``two-decimals`` (laboratory results
with ties), ``doubles`` (full length numbers), ``integers`` (heavy ties).
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from stanch.verify.agreement import passing_bablok


def sample(kind: str, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    true = rng.lognormal(5.0, 0.7, n)
    x, y = true * (1 + 0.08 * rng.normal(size=n)), 4.0 + 1.03 * true * (1 + 0.08 * rng.normal(size=n))
    decimals = {"two-decimals": 2, "integers": 0}.get(kind)
    return (x, y) if decimals is None else (np.round(x, decimals), np.round(y, decimals))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=("two-decimals", "doubles", "integers"), default="two-decimals")
    parser.add_argument("--relation", choices=("same", "general"), default="same")
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    start = time.perf_counter()
    passing_bablok(*sample(given.kind, 300, rng), relation=given.relation)
    print(f"first call, 300 points: {time.perf_counter() - start:.2f} s of wall time")
    x, y = sample(given.kind, given.points, rng)
    wall, process = time.perf_counter(), time.process_time()
    found = passing_bablok(x, y, relation=given.relation)
    wall, process = time.perf_counter() - wall, time.process_time() - process
    line = found.line
    print(f"{given.points} points, {given.kind}, whole numbers: {found.exact}, {found.slopes} slopes ranked")
    print(f"slope {line.b:.9g} ({line.slope.low:.9g} to {line.slope.high:.9g}), intercept {line.a:.9g}")
    print(f"process time {process:.2f} s, wall time {wall:.2f} s")
    print(f"highest resident memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
