"""Time of a population: drawing virtual patients, their courses in six wells over an hour, and the whole table.

    python benchmarks/population_rate.py --count 1000

Times are of the processor, so that other programs on the machine do not count; the first sample is timed apart, since
kernels are compiled or loaded then.
"""

from __future__ import annotations

import argparse
import time

from stanch.virtual.blood.expect import courses
from stanch.virtual.blood.population import PATIENT_KINDS, draw
from stanch.virtual.population_table import demo_bench, read_all


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--count", type=int, default=1000, help="virtual patients, spread over all kinds")
    args = parser.parse_args()
    start = time.process_time()
    each = -(-args.count // len(PATIENT_KINDS))
    people = [one for kind in PATIENT_KINDS for one in draw(kind, each, seed=1)][: args.count]
    print(f"draw {len(people)}: {time.process_time() - start:.2f} s")
    bench = demo_bench()
    start = time.process_time()
    read_all(bench, people[0].composition)
    print(f"first sample with its readings: {time.process_time() - start:.2f} s")
    for name, work in (
        ("courses of six wells over an hour", lambda one: courses(one.composition, bench.contents, bench.choices)),
        ("courses, readings and contrasts", lambda one: read_all(bench, one.composition)),
    ):
        times = []
        for one in people:
            start = time.process_time()
            work(one)
            times.append(time.process_time() - start)
        times.sort()
        middle = 1e3 * times[len(times) // 2]
        print(f"{name}: {sum(times):.1f} s for {len(times)}; median {middle:.1f} ms, slowest {1e3 * times[-1]:.0f} ms")


if __name__ == "__main__":
    main()
