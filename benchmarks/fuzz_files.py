"""Mutate valid files and count what becomes of them: accepted, refused with which error, or a fault of ours.

Half of the mutations are blind (bits, slices, cuts), half know the form (an attribute, a cell, a key, an array). Child
processes with limits of memory and time take them in batches. Each mutation is read in two steps: the parser (opening a
recording, loading a map, listing a source), then everything else.

    python benchmarks/fuzz_files.py --mutations 10000
"""

from __future__ import annotations

import argparse
import collections
import io
import json
import random
import resource
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import scipy.io

from stanch.errors import StanchError
from stanch.recording.container import WellLayout, create, open_recording, recover, verify
from stanch.recording.convert import convert
from stanch.recording.maps import load_map
from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, Well
from stanch.recording.source import open_source

KINDS = ("recording", "map", "npz", "csv", "mat")
MEMORY, SECONDS = 4 << 30, 20
FRAMES, SAMPLES, PUSHES = 6, 16, 4
MAP = """schema = "stanch.map/1"

[recording]
sample = "gel series"
role = "gel"
drawn_at = "2026-03-01T08:00:00+01:00"
haematocrit = "41 %"
drugs = []
notes = ["demo data"]

[acquisition]
sampling_rate = "40 MHz"
centre_frequency = "9 MHz"
sound_speed = "1575 m/s"
density = "1055 kg/m^3"
frame_interval = "125 us"
frames_before_push = 2
push_duration = "200 us"
push_time = "push_time"
first_sample_depth = "-1.0 mm"

[geometry]
well_radius = "2.8 mm"
well_depth = "7 mm"
beam_from = "base"
focus_height = "3.2 mm"
lid = "rigid"
push_radius = "0.4 mm"
push_length = "2.2 mm"
beam_radius = "0.19 mm"

[[well]]
name = "plain"
echo = "plain"
axes = ["push", "frame", "sample"]
activator = "tissue factor"
additives = ["calcium", { name = "buffer", lot = "B2" }]
fill_height = "6.5 mm"
activated_at = "2026-03-01T09:00:00+01:00"
"""
CURVE_MAP = """schema = "stanch.map/1"
[recording]
sample = "curve"
[[well]]
name = "clot"
modulus = "modulus"
viscosity = "viscosity [mPa·s]"
push_time = "time"
"""


def seeds(folder: Path) -> dict[str, Path]:
    """A valid file of each kind, and the documents beside it."""
    rng = np.random.default_rng(0)
    echo = rng.integers(-999, 999, (PUSHES, FRAMES, SAMPLES), dtype=np.int16)
    times = np.arange(PUSHES) * 6.0
    files = {kind: folder / f"seed.{kind}" for kind in ("npz", "csv", "mat")}
    files |= {"map": folder / "map.toml", "recording": folder / "seed.h5", "curve": folder / "curve.toml"}
    np.savez(files["npz"], plain=echo, push_time=times)
    scipy.io.savemat(files["mat"], {"plain": echo, "push_time": times})
    rows = [f"{t:.1f};{10 * t + 1:.2f};{1 + t / 7:.3f}".replace(".", ",") for t in times]
    files["csv"].write_text("\n".join(["time [min];modulus [Pa];viscosity", *rows]) + "\n")
    files["map"].write_text(MAP, encoding="utf-8")
    files["curve"].write_text(CURVE_MAP, encoding="utf-8")
    acquisition = Acquisition(40e6, 9e6, 1575.0, 1055.0, 200e-6, 2, -1e-3)
    geometry = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
    frame_time = np.concatenate([[-2, -1], np.arange(1, FRAMES - 1)]) * 125e-6
    wells = [
        WellLayout(Well("plain", additives=(Additive("buffer"),)), "echo", frame_time, sample_count=SAMPLES),
        WellLayout(Well("traces"), "displacement", frame_time),
        WellLayout(Well("curve"), "modulus", None, frequency=1.0),
    ]
    facts = SampleFacts("gel", role="gel", haematocrit=0.4, drugs=("a",), demo=True)
    options = {"acquisition": acquisition, "geometry": geometry, "assay_text": "schema = 'stanch.assay/1'\n"}
    with create(files["recording"], sample=facts, wells=wells, **options) as writer:
        for i in range(PUSHES):
            writer.append("plain", times[i], echo[i])
            writer.append("traces", times[i], rng.normal(size=FRAMES) * 1e-6, sd=np.full(FRAMES, 1e-8))
            writer.append("curve", times[i], 10.0 * i, viscosity=0.1)
        writer.note("demo data")
        writer.temperature(0.0, 310.15)
    return files


def blind(data: bytes, rng: random.Random) -> bytes:
    """Change bytes without knowing what they mean."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 16))):
        at = rng.randrange(len(out)) if out else 0
        way = rng.randrange(6)
        if way == 0 and out:
            out[at] ^= 1 << rng.randrange(8)
        elif way == 1 and out:
            out[at] = rng.choice((0, 1, 127, 128, 255, rng.randrange(256)))
        elif way == 2:
            del out[at:]
        elif way == 3:
            del out[at : at + rng.randrange(1, 64)]
        elif way == 4:
            out[at:at] = out[at : at + rng.randrange(1, 64)]
        else:
            out[at:at] = rng.randbytes(rng.randrange(1, 16))
    return bytes(out)


ODD_NUMBERS = (0, -1, 1, 1e308, -1e308, np.nan, np.inf, 5e-324, 2**31, 7)
ODD_TEXTS = (
    "",
    "0",
    "-1 mm",
    "1e400 m",
    "nan Hz",
    "40",
    "é",
    "x" * 5000,
    "2026-01-01T00:00",
    "push",
    "[",
    "plain [Pa]",
)


def change_recording(path: Path, rng: random.Random) -> None:
    """Change one attribute or array of a recording with h5py."""
    with h5py.File(path, "r+") as file:
        items: list[h5py.Group | h5py.Dataset] = [file]
        file.visititems(lambda _, item: items.append(item))
        item = rng.choice(items)
        if rng.random() < 0.5 and item.attrs:
            name = rng.choice(sorted(item.attrs))
            if rng.random() < 0.3:
                del item.attrs[name]
            else:
                item.attrs[name] = rng.choice((*ODD_NUMBERS, *ODD_TEXTS, [1.0, 2.0], [], ["a", "b"]))
        elif isinstance(item, h5py.Dataset) and item.size and rng.random() < 0.7:
            index = tuple(rng.randrange(n) for n in item.shape)
            number = rng.choice(ODD_NUMBERS)
            if item.dtype.kind == "f":
                item[index] = number
            elif item.dtype.kind == "S":
                item[index] = rng.choice((b"\xff\xfe", b"", b"x"))
            else:
                item[index] = rng.randrange(0 if item.dtype.kind == "u" else -100, 100)
        elif isinstance(item, h5py.Dataset):
            name, data = item.name, item[()]
            del file[name]
            if rng.random() < 0.8:
                turned = (data.T, data[:0], data.reshape(-1), data.astype("f4") if data.dtype.kind != "S" else data)
                file[name] = rng.choice(turned)
        elif item.name != "/":
            if rng.random() < 0.5:
                del file[item.name]
            else:
                file.move(item.name, "/elsewhere")


def change_map(text: str, rng: random.Random) -> str:
    """Change a line of a map: its value, its unit, its key, its presence."""
    lines = text.splitlines()
    at = rng.randrange(len(lines))
    way = rng.randrange(7)
    if way == 0:
        del lines[at]
    elif way == 1:
        lines.insert(at, rng.choice(lines))
    elif way == 2 and "=" in lines[at]:
        lines[at] = (
            lines[at].split("=")[0]
            + "= "
            + rng.choice((*map(json.dumps, ODD_TEXTS), "3", "-1.5", "true", "[]", "{}", "inf"))
        )
    elif way == 3 and '"' in lines[at]:
        units = ("mm", "um", "m", "Hz", "MHz", "us", "s", "Pa", "%", "")
        head, value = lines[at].split('"', 1)
        lines[at] = f'{head}"{value.split(" ")[0].strip(chr(34))} {rng.choice(units)}"'
    elif way == 4:
        lines[at] = lines[at].replace("_", rng.choice(("", "-", "__")), 1)
    elif way == 5:
        digits = [i for i, c in enumerate(lines[at]) if c.isdigit()]
        if digits:
            k = rng.choice(digits)
            lines[at] = lines[at][:k] + str(rng.randrange(10)) + lines[at][k + 1 :]
    else:
        other = rng.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    return "\n".join(lines) + "\n"


def change_arrays(arrays: dict[str, np.ndarray], rng: random.Random) -> dict[str, np.ndarray]:
    """Change an array: number type, axes, length, a value, its name."""
    out = dict(arrays)
    name = rng.choice(sorted(out))
    array = out[name]
    way = rng.randrange(6)
    if way == 0:
        kind = rng.choice(("i1", "u2", "i4", "i8", "u8", "f2", "f4", "f8", "c8", "U8", "?"))
        with np.errstate(all="ignore"):
            out[name] = array.astype(kind)
    elif way == 1:
        out[name] = array.transpose(rng.sample(range(array.ndim), array.ndim))
    elif way == 2:
        out[name] = array[: rng.randrange(len(array) + 1)]
    elif way == 3:
        array = array.astype("f8")
        array[tuple(rng.randrange(n) for n in array.shape)] = rng.choice(ODD_NUMBERS)
        out[name] = array
    elif way == 4:
        out[rng.choice(("plane", "push_time [s]", "push_time [Pa]", "a/b"))] = out.pop(name)
    else:
        out[name] = array[rng.randrange(len(array))]
    return out


def change_table(text: str, rng: random.Random) -> str:
    """Change a cell, a row, the delimiter or the decimal sign."""
    rows = [line.split(";") for line in text.splitlines()]
    row = rng.randrange(len(rows))
    cell = rng.randrange(len(rows[row]))
    way = rng.randrange(6)
    if way == 0:
        rows[row][cell] = rng.choice(
            ("", "nan", "1e999", "-3", "1.234,5", "abc", '"', "time [s]", "modulus [kPa]", "0,5")
        )
    elif way == 1:
        del rows[row]
    elif way == 2:
        del rows[row][cell]
    elif way == 3:
        rows.insert(row, list(rng.choice(rows)))
    delimiter = rng.choice((",", "\t", "|", "; ")) if way == 4 else ";"
    out = "\n".join(delimiter.join(r) for r in rows) + "\n"
    return out.replace(",", ".") if way == 5 else out


def mutate(kind: str, files: dict[str, Path], out: Path, rng: random.Random) -> None:
    """Write one mutation of a valid file."""
    data = files[kind].read_bytes()
    if rng.random() < 0.5:
        out.write_bytes(blind(data, rng))
    elif kind == "recording":
        out.write_bytes(data)
        change_recording(out, rng)
    elif kind == "map":
        out.write_text(change_map(data.decode(), rng), encoding="utf-8")
    elif kind == "csv":
        out.write_text(change_table(data.decode(), rng), encoding="utf-8")
    elif kind == "npz":
        with np.load(files["npz"]) as loaded:
            np.savez(out, **change_arrays(dict(loaded), rng))
    else:
        found = scipy.io.loadmat(io.BytesIO(data))
        arrays = change_arrays({k: v for k, v in found.items() if not k.startswith("__")}, rng)
        scipy.io.savemat(out, {k: v for k, v in arrays.items() if k.isidentifier()})


def use(kind: str, files: dict[str, Path], path: Path, folder: Path, passed: Callable[[], None]) -> None:
    """Everything a reader does with such a file."""
    out = folder / "out.h5"
    if kind == "recording":
        with open_recording(path) as run:
            passed()
            for well in run.wells:
                for _ in run.blocks(well.name):
                    pass
                run.push_time(well.name)
            run.identity()
        verify(path)
        recover(path, out, overwrite=True)
    elif kind == "map":
        load_map(path)
        passed()
        convert(files["npz"], path, out, overwrite=True)
    else:
        open_source(path).names()
        passed()
        convert(path, files["curve" if kind == "csv" else "map"], out, overwrite=True)


class Hang(BaseException):
    """A mutation took longer than allowed."""


def alarm(*_: object) -> None:
    raise Hang


def child(first: int, count: int, seed: int) -> None:
    """Take a batch; print one line for each mutation."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS * count, SECONDS * count))
    signal.signal(signal.SIGALRM, alarm)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = seeds(folder)
        for number in range(first, first + count):
            print(json.dumps([number, *one(number, seed, files, folder)]), flush=True)


def one(number: int, seed: int, files: dict[str, Path], folder: Path) -> tuple[str, bool, str, str]:
    """Kind, whether the parser was passed, outcome, detail."""
    kind = KINDS[number % len(KINDS)]
    rng = random.Random(f"{seed}/{number}")
    path = folder / f"mutation{files[kind].suffix}"
    path.unlink(missing_ok=True)
    mutate(kind, files, path, rng)
    before, passed = path.read_bytes(), False

    def passing() -> None:
        nonlocal passed
        passed = True

    kept = set(folder.iterdir()) | {folder / "out.h5"}
    signal.alarm(SECONDS)
    try:
        use(kind, files, path, folder, passing)
        outcome, detail = "accepted", ""
    except StanchError as error:
        outcome, detail = type(error).__name__, str(error)
        if error.exit_code == 1 or "\n" in detail:
            outcome = "FAULT"
    except Hang:
        outcome, detail = "HANG", ""
    except MemoryError:
        outcome, detail = "MEMORY", ""
    except Exception as error:
        outcome, detail = "TRACEBACK", repr(error)
    finally:
        signal.alarm(0)
    if path.read_bytes() != before:
        outcome, detail = "CHANGED", "the source"
    if set(folder.iterdir()) - kept:
        outcome, detail = "LEFT", str(set(folder.iterdir()) - kept)
    return kind, passed, outcome, detail


def run(
    mutations: int, seed: int, batch: int = 250, shown: int = 5
) -> tuple[collections.Counter[tuple[str, str]], int]:
    """Counts by (kind, outcome), and how many passed the parser."""
    counts: collections.Counter[tuple[str, str]] = collections.Counter()
    passed, done = 0, 0
    while done < mutations:
        count = min(batch, mutations - done)
        command = [sys.executable, __file__, "--child", str(done), str(count), "--seed", str(seed)]
        finished = subprocess.run(command, stdout=subprocess.PIPE, text=True, timeout=SECONDS * count)
        lines = [json.loads(line) for line in finished.stdout.splitlines()]
        for number, kind, past, outcome, detail in lines:
            counts[kind, outcome] += 1
            passed += past
            if outcome.isupper() and shown > 0:
                shown -= 1
                print(f"mutation {number} of {kind}: {outcome} {detail}", file=sys.stderr)
        done += len(lines)
        if len(lines) < count:
            # The child died: by a signal, or of something that is no error of ours.
            counts[KINDS[done % len(KINDS)], "CRASH"] += 1
            print(f"mutation {done}: the child ended with {finished.returncode}", file=sys.stderr)
            done += 1
    return counts, passed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mutations", type=int, default=10000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", type=int, nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(*options.child, options.seed)
        return
    counts, passed = run(options.mutations, options.seed)
    outcomes = sorted({outcome for _, outcome in counts})
    print(f"{'':22}" + "".join(f"{kind:>11}" for kind in KINDS) + f"{'all':>8}")
    for outcome in outcomes:
        row = [counts[kind, outcome] for kind in KINDS]
        print(f"{outcome:22}" + "".join(f"{n:11}" for n in row) + f"{sum(row):8}")
    total = sum(counts.values())
    print(f"past the parser: {passed} of {total} ({100 * passed / total:.0f} %)")


if __name__ == "__main__":
    main()
