"""CPU and wall time of reading the echoes of a recording: through HDF5, and chunk by chunk on one and two threads.

python benchmarks/read_recording.py --pushes 600 --wells 5
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import numpy as np
from scipy.signal import firwin, lfilter

from stanch.recording.container import Recording, WellLayout, create, open_recording
from stanch.recording.records import Acquisition, SampleFacts, Well

FRAMES, SAMPLES = 64, 512
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 200e-6, 2, -1e-3)
FRAME_TIME = np.concatenate([[-2, -1], np.arange(1, FRAMES - 1)]) * 125e-6


def write(path: Path, wells: int, pushes: int) -> float:
    """Band-limited lines with noise 40 dB below; CPU seconds spent in append."""
    rng = np.random.default_rng(0)
    band = firwin(33, [0.35, 0.55], pass_zero=False)
    blocks = [
        (lfilter(band, 1, rng.normal(size=SAMPLES)) * 4000 + rng.normal(size=(FRAMES, SAMPLES)) * 18).astype(np.int16)
        for _ in range(40)
    ]
    layouts = [WellLayout(Well(f"well {w}"), "echo", FRAME_TIME, sample_count=SAMPLES) for w in range(wells)]
    facts = SampleFacts("benchmark", demo=True)
    with create(path, sample=facts, wells=layouts, acquisition=ACQUISITION, geometry=None) as writer:
        begin = time.process_time()
        for push in range(pushes):
            for layout in layouts:
                writer.append(layout.well.name, push * 5.0, blocks[push % 40])
        return time.process_time() - begin


def through_hdf5(path: Path, block: int) -> int:
    total = 0
    with h5py.File(path, "r") as file:
        for group in file["wells"].values():
            echo = group["echo"]
            total += sum(int(echo[i : i + block][0, 0, 0]) for i in range(0, echo.shape[0], block))
    return total


def _well(run: Recording, name: str, block: int) -> int:
    return sum(int(b[0, 0, 0]) for b in run.blocks(name, block))


def by_chunk(path: Path, block: int) -> int:
    with open_recording(path) as run:
        return sum(_well(run, well.name, block) for well in run.wells)


def by_chunk_on_two_threads(path: Path, block: int) -> int:
    with open_recording(path) as run, ThreadPoolExecutor(2) as pool:
        return sum(pool.map(lambda well: _well(run, well.name, block), run.wells))


def identity(path: Path, block: int) -> int:
    with open_recording(path) as run:
        return len(run.identity())


def file_hash(path: Path, block: int) -> int:
    return len(hashlib.sha256(path.read_bytes()).digest())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--wells", type=int, default=5)
    parser.add_argument("--pushes", type=int, default=600)
    parser.add_argument("--block", type=int, default=16)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    ways: list[Callable[[Path, int], int]] = [through_hdf5, by_chunk, by_chunk_on_two_threads, identity, file_hash]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.h5"
        cpu = write(path, options.wells, options.pushes)
        count = options.wells * options.pushes
        raw = count * FRAMES * SAMPLES * 2
        size = path.stat().st_size
        print(f"{raw / 1e6:.0f} MB of echoes, file {size / 1e6:.0f} MB, ratio {raw / size:.2f}")
        print(f"append: {cpu / count * 1e3:.2f} ms CPU per push")
        print(f"{'way':26}{'CPU s':>8}{'wall s':>8}{'MB/s wall':>11}")
        for way in ways:
            times = []
            for _ in range(options.repeat):
                begin = time.process_time(), time.perf_counter()
                way(path, options.block)
                times.append((time.process_time() - begin[0], time.perf_counter() - begin[1]))
            cpu, wall = min(t[0] for t in times), min(t[1] for t in times)
            print(f"{way.__name__.replace('_', ' '):26}{cpu:8.2f}{wall:8.2f}{raw / 1e6 / wall:11.0f}")


if __name__ == "__main__":
    main()
