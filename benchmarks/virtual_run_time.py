"""Time of a virtual run: CPU seconds per push of echoes, and of the whole demo recording, first use and second.

python benchmarks/virtual_run_time.py [--pushes N]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from importlib.resources import files
from pathlib import Path

from stanch.virtual.instrument import VirtualWell
from stanch.virtual.scenario import load_scenario
from stanch.virtual.simulate import simulate


def main(arguments: list[str] | None = None) -> dict[str, float]:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pushes", type=int, default=240, help="of each of the six demo wells")
    pushes = parser.parse_args(arguments).pushes
    scenario = load_scenario(Path(str(files("stanch.virtual") / "demo" / "scenario.toml")))
    scenario = scenario.model_copy(update={"run": scenario.run.model_copy(update={"pushes": pushes})})
    rows: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for turn in ("first", "second"):
            wall, cpu = time.perf_counter(), time.process_time()
            simulate(scenario, Path(folder) / f"{turn}.h5", truth=Path(folder) / f"{turn}.json")
            rows[f"{turn} run, wall s"] = time.perf_counter() - wall
            rows[f"{turn} run, CPU s"] = time.process_time() - cpu
    well = VirtualWell(scenario, 0, 1)
    well.push(0.0)
    cpu = time.process_time()
    for k in range(min(pushes, 50)):
        well.push(15.0 * (k + 1))
    rows["one push, CPU ms"] = 1e3 * (time.process_time() - cpu) / min(pushes, 50)
    for name, value in rows.items():
        print(f"{name:22s} {value:8.2f}")
    return rows


if __name__ == "__main__":
    main()
