"""Kill a recording's writer with SIGKILL at random moments; compare what it acknowledged with what opens.

A child process appends pushes to three wells and writes each acknowledgement to a pipe. The parent opens the file while
it is being written, kills the child at a random moment, and then counts acknowledged pushes that are not there, pushes
whose numbers are not those written, and openings that failed.

    python benchmarks/kill_writer.py --kills 100
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stanch.errors import StanchError
from stanch.recording.container import Recording, WellLayout, create, open_recording, recover
from stanch.recording.records import Acquisition, SampleFacts, Well

FRAMES, SAMPLES = 16, 64
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 200e-6, 2, -1e-3)
FRAME_TIME = np.concatenate([[-2, -1], np.arange(1, FRAMES - 1)]) * 125e-6
WELLS = ("echo", "displacement", "modulus")


def block(well: str, push: int) -> np.ndarray:
    """What is written for a push; known to both sides."""
    rng = np.random.default_rng([WELLS.index(well), push])
    if well == "echo":
        return rng.integers(-2000, 2000, (FRAMES, SAMPLES), dtype=np.int16)
    return rng.normal(size=FRAMES) * 1e-6 if well == "displacement" else np.asarray(rng.normal())


def write(path: Path) -> None:
    """Append without end, acknowledging on standard output."""
    layouts = [WellLayout(Well("echo"), "echo", FRAME_TIME, sample_count=SAMPLES)]
    layouts += [
        WellLayout(Well("displacement"), "displacement", FRAME_TIME),
        WellLayout(Well("modulus"), "modulus", None),
    ]
    facts = SampleFacts("kill test", role="blank", demo=True)
    with create(path, sample=facts, wells=layouts, acquisition=ACQUISITION, geometry=None) as writer:
        for push in range(10**6):
            for index, well in enumerate(WELLS):
                extra = {"viscosity": 0.01} if well == "modulus" else {}
                count = writer.append(well, push * 5.0, block(well, push), **extra)
                os.write(1, bytes([index]) + count.to_bytes(4, "little"))
            writer.temperature(push * 5.0, 310.15)


@dataclass
class Outcome:
    """What one kill did."""

    acknowledged: int = 0
    lost: int = 0
    wrong: int = 0
    opened: int = 0
    not_opened: int = 0
    recovered: bool = False


def wrong_pushes(recording: Recording) -> int:
    """Committed pushes whose numbers are not those written."""
    wrong = 0
    for well in WELLS:
        data = recording.read(well)
        wrong += sum(not np.array_equal(data[i], block(well, i)) for i in range(len(data)))
    return wrong


def kill_once(folder: Path, rng: np.random.Generator, longest: float = 0.4) -> Outcome:
    """Start a writer, read beside it, kill it, compare."""
    path = folder / "run.h5"
    path.unlink(missing_ok=True)
    command = [sys.executable, __file__, "--child", str(path)]
    outcome, acknowledged = Outcome(), dict.fromkeys(range(len(WELLS)), 0)
    with subprocess.Popen(command, stdout=subprocess.PIPE, bufsize=0) as child:
        assert child.stdout is not None
        # One in five is killed around the moment the file appears.
        early = rng.random() < 0.2
        while not path.exists() and child.poll() is None:
            time.sleep(0.0005)
        head = b"" if early else child.stdout.read(5)
        assert early or len(head) == 5, "the writer did not start"
        until = time.monotonic() + rng.uniform(0.0, 0.005 if early else longest)
        while time.monotonic() < until:
            try:
                with open_recording(path) as recording:
                    outcome.wrong += not all(recording.push_count(w) == len(recording.read(w)) for w in WELLS)
                outcome.opened += 1
            except StanchError as error:
                print(error, file=sys.stderr)
                outcome.not_opened += 1
        os.kill(child.pid, signal.SIGKILL)
        rest = head + child.stdout.read()
    for at in range(0, len(rest) - 4, 5):
        acknowledged[rest[at]] = int.from_bytes(rest[at + 1 : at + 5], "little")
    outcome.acknowledged = sum(acknowledged.values())
    with open_recording(path) as recording:
        outcome.lost = sum(max(0, acknowledged[i] - recording.push_count(w)) for i, w in enumerate(WELLS))
        outcome.wrong += wrong_pushes(recording) + (recording.state != "recording")
        identity = recording.identity()
    outcome.recovered = recover(path, folder / "recovered.h5", overwrite=True).identity == identity
    return outcome


def run(kills: int, seed: int) -> list[Outcome]:
    """Kill so many writers."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        return [kill_once(Path(folder), rng) for _ in range(kills)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        write(options.child)
        return
    outcomes = run(options.kills, options.seed)
    print(f"kills                                {len(outcomes)}")
    print(f"pushes acknowledged                  {sum(o.acknowledged for o in outcomes)}")
    print(f"acknowledged pushes lost             {sum(o.lost for o in outcomes)}")
    print(f"pushes with other numbers            {sum(o.wrong for o in outcomes)}")
    print(f"openings while being written         {sum(o.opened for o in outcomes)}")
    print(f"of these failed                      {sum(o.not_opened for o in outcomes)}")
    print(f"recovered copies of equal identity   {sum(o.recovered for o in outcomes)}")


if __name__ == "__main__":
    main()
