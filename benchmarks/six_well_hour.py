"""Processor time of one virtual hour in the six wells of the demo: a new process, warm, by stage, and of a population.

Blood with a little heparin, so that three cascades differ. All times are processor times of this process, one thread:
they do not depend on what else the machine does, save for caches. A new process loads kernels compiled before;
`--compile` also shows what a first run on a machine costs, with an empty kernel cache.

    python benchmarks/six_well_hour.py
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import clot_course, drive_of
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.population import PATIENT_KINDS, draw
from stanch.virtual.blood.records import Composition
from stanch.virtual.blood.thrombin import thrombin_courses

LIMIT = 0.120  # s
BLOOD = Composition(heparin=2e5)
WELLS = tuple(DEMO_WELLS.values())

NEW_PROCESS = """
import time
started = time.process_time()
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.records import Composition
imported = time.process_time()
courses(Composition(heparin=2e5), tuple(DEMO_WELLS.values()))
print(imported - started, time.process_time() - imported)
"""


def median(run: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median and smallest processor time [s]."""
    times = []
    for _ in range(repeats):
        started = time.process_time()
        run()
        times.append(time.process_time() - started)
    times.sort()
    return times[len(times) // 2], times[0]


def new_process(cache: str | None = None) -> tuple[float, float]:
    """Processor time of import and first call in a new process [s]."""
    env = dict(os.environ) | ({"NUMBA_CACHE_DIR": cache} if cache else {})
    done = subprocess.run([sys.executable, "-c", NEW_PROCESS], env=env, capture_output=True, text=True, check=True)
    imported, called = done.stdout.split()
    return float(imported), float(called)


def by_stage(repeats: int) -> dict[str, float]:
    """Median processor time of each stage [s]."""
    from stanch.virtual.blood.march import march

    thrombin = thrombin_courses(BLOOD, WELLS)
    drives = [drive_of(BLOOD, well, Choices()) for well in WELLS]
    pairs = list(zip(WELLS, thrombin, drives, strict=True))
    whole, _ = median(lambda: courses(BLOOD, WELLS), repeats)
    cascades, _ = median(lambda: thrombin_courses(BLOOD, WELLS), repeats)
    marches, _ = median(lambda: [march(t.thrombin, t.thrombin, 1.0, 2.0, 4, d) for _, t, d in pairs], repeats)
    clots, _ = median(lambda: [clot_course(BLOOD, w, t) for w, t, _ in pairs], repeats)
    return {"six wells": whole, "cascades": cascades, "march of the clots": marches, "rest": clots - marches}


def population(count: int) -> float:
    """Samples per second of processor time, all kinds of patients in turn, six wells each."""
    each = -(-count // len(PATIENT_KINDS))
    samples = [patient.composition for kind in PATIENT_KINDS for patient in draw(kind, each, 1)]
    started = time.process_time()
    for sample in samples:
        courses(sample, WELLS)
    return len(samples) / (time.process_time() - started)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=51, help="runs behind each median (default %(default)s)")
    parser.add_argument("--population", type=int, default=200, help="samples (default %(default)s)")
    parser.add_argument("--compile", action="store_true", help="also run once with an empty kernel cache")
    options = parser.parse_args()

    courses(BLOOD, WELLS)
    cascades = len({id(t) for t in thrombin_courses(BLOOD, WELLS)})
    cold = [new_process() for _ in range(5)]
    imported, first = (sorted(column)[2] for column in zip(*cold, strict=True))
    print(f"new process, median of 5: import {1e3 * imported:.0f} ms, first six-well hour {1e3 * first:.0f} ms")
    if options.compile:
        with tempfile.TemporaryDirectory() as folder:
            print(f"with an empty kernel cache: first six-well hour {new_process(folder)[1]:.1f} s")
    warm, least = median(lambda: courses(BLOOD, WELLS), options.repeats)
    verdict = "within" if warm <= LIMIT else "ABOVE"
    print(
        f"warm, {len(WELLS)} wells, {cascades} cascades: median {1e3 * warm:.1f} ms, smallest {1e3 * least:.1f} ms "
        f"({verdict} {1e3 * LIMIT:.0f} ms)"
    )
    stages = by_stage(options.repeats)
    whole = stages.pop("six wells")
    for name, spent in stages.items():
        print(f"  {name:20s} {1e3 * spent:6.1f} ms  {spent / whole:4.0%}")
    rate = population(options.population)
    print(f"population: {rate:.1f} samples/s, six wells each; 1000 samples {1000 / rate:.0f} s")


if __name__ == "__main__":
    main()
