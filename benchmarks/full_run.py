"""Time and memory of a full-size run, echoes to readings, against reading and decompressing it once.

Five wells x 600 pushes x 64 frames x 512 samples of int16: 197 MB of echoes. The recording is made once and kept.

    python benchmarks/full_run.py --keep /tmp/full.h5
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
import tomllib
from importlib.resources import files
from pathlib import Path
from statistics import median


def make(path: Path) -> None:
    """Simulate the recording (about half a minute of processor time)."""
    from stanch.virtual.scenario import Scenario
    from stanch.virtual.simulate import simulate

    folder = files("stanch.virtual") / "demo"
    data = tomllib.loads((folder / "scenario.toml").read_text("utf-8"))
    data["run"].update(pushes=600, push_interval="6 s")
    data["acquisition"].update(samples=512, first_sample_depth="-3.1 mm")
    data["geometry"].update(well_depth="14 mm", focus_height="4 mm")
    data["well"] = data["well"][:5]
    for well in data["well"]:
        well["fill_height"] = "14 mm"
    data["folder"] = str(folder)
    data.pop("assay")
    simulate(Scenario.model_validate(data), path, overwrite=True)


def read_once(path: Path) -> float:
    """Seconds to read and decompress every echo once with h5py alone."""
    import h5py

    start = time.perf_counter()
    total = 0
    with h5py.File(path, "r", swmr=True) as file:

        def visit(_name: str, item: object) -> None:
            nonlocal total
            if isinstance(item, h5py.Dataset) and item.ndim == 3 and item.dtype.kind == "i":
                for first in range(0, item.shape[0], 32):
                    total += item[first : first + 32].nbytes

        file.visititems(visit)
    assert total > 0
    return time.perf_counter() - start


def run(path: Path, repeats: int) -> None:
    """Analyse in this process: cold once, then warm; print JSON."""
    from stanch.pipeline import analyse
    from stanch.readings.assay import load_assay

    text = (files("stanch.virtual") / "demo" / "assay.toml").read_text("utf-8")
    assay = load_assay(text, where="assay.toml")
    times = []
    reads = []
    for _ in range(repeats + 1):
        reads.append(read_once(path))
        start = time.perf_counter()
        result = analyse(path, assay)
        times.append(time.perf_counter() - start)
    assert all(well.readings is not None for well in result.wells)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"first": times[0], "warm": times[1:], "read": reads[1:], "peak_mb": peak}))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, default=Path("full.h5"), help="Where the recording is kept.")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        run(given.keep, given.repeats)
        return
    if not given.keep.exists():
        make(given.keep)
    command = [sys.executable, __file__, "--child", "--keep", str(given.keep), "--repeats", str(given.repeats)]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()[-1])
    warm, read = median(found["warm"]), median(found["read"])
    print(f"recording             {given.keep.stat().st_size / 1e6:8.0f} MB on disk, 196.6 MB of echoes")
    print(f"read and decompress   {read:8.2f} s  (h5py, one thread; baseline)")
    print(f"echoes to readings    {warm:8.2f} s  warm, {found['first']:.2f} s first in the process")
    print(f"ratio                 {warm / read:8.2f}")
    print(f"peak memory           {found['peak_mb']:8.0f} MB")


if __name__ == "__main__":
    main()
