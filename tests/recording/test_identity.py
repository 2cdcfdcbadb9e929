from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from recording_samples import ACQUISITION, GEOMETRY, PLAIN, SAMPLE, SAMPLES, echo_block, layouts

from stanch.recording.container import WellLayout, create, open_recording, recover
from stanch.recording.records import Well

Make = Callable[..., Path]


def identity(path: Path) -> str:
    with open_recording(path) as run:
        return run.identity()


def test_is_64_hexadecimal_digits_and_repeatable(make: Make) -> None:
    first = identity(make("a.h5"))
    assert len(bytes.fromhex(first)) == 32
    assert identity(make("b.h5")) == first


def test_by_hand_from_the_documented_entries(tmp_path: Path) -> None:
    """The serialisation of docs/reference/recording-format.md, written out independently."""
    path = tmp_path / "a.h5"
    wells = [WellLayout(Well("w", activator="none"), "modulus", None, frequency=2.0)]
    with create(
        path, sample=replace(SAMPLE, products=("p", "é")), wells=wells, acquisition=None, geometry=None
    ) as writer:
        writer.append("w", 1.0, 3.0)
        writer.append("w", 2.0, 4.0)
        writer.note("n")

    def digest(value: float) -> bytes:
        return hashlib.sha256(np.float64(value).astype("<f8").tobytes()).digest()

    entries: list[tuple[str, str, bytes]] = [
        ("notes/at", "texts", b"0\n"),
        ("notes/text", "texts", b"1\nn"),
        ("sample/demo", "integer", b"1"),
        ("sample/drugs", "texts", b""),
        ("sample/haematocrit", "<f8 ()", np.array(0.4, "<f8").tobytes()),
        ("sample/products", "texts", b"1\np2\n\xc3\xa9"),
        ("sample/role", "text", b"gel"),
        ("sample/sample", "text", b"gel series"),
        ("temperature/temperature", "<f8 (0)", b""),
        ("temperature/time", "<f8 (0)", b""),
        ("wells/000/activation_offset", "<f8 ()", bytes(8)),
        ("wells/000/activator", "text", b"none"),
        ("wells/000/frequency", "<f8 ()", np.array(2.0, "<f8").tobytes()),
        ("wells/000/kind", "text", b"modulus"),
        ("wells/000/modulus", "<f8 (2) sha256 per push", digest(3.0) + digest(4.0)),
        ("wells/000/name", "text", b"w"),
        ("wells/000/push_time", "<f8 (2)", np.array([1.0, 2.0], "<f8").tobytes()),
    ]
    total = hashlib.sha256(b"stanch.recording/1 identity\n")
    for name, kind, payload in entries:
        total.update(f"{name}\t{kind}\t{len(payload)}\n".encode() + payload + b"\n")
    assert identity(path) == total.hexdigest()


def copy_without(source: h5py.Group, target: h5py.Group, change: Callable[[str, h5py.Dataset], dict[str, Any]]) -> None:
    """Another program's copy: other chunks, compression, byte order."""
    for key, value in source.attrs.items():
        target.attrs[key] = value
    for name, item in source.items():
        if isinstance(item, h5py.Dataset):
            made = target.create_dataset(name, data=item[()], **change(item.name, item))
            for key, value in item.attrs.items():
                made.attrs[key] = value
        else:
            copy_without(item, target.create_group(name), change)


@pytest.mark.parametrize("libver", ["earliest", "latest"])
@pytest.mark.parametrize("form", ["contiguous", "rechunked", "big-endian", "uncompressed"])
def test_survives_repacking(make: Make, tmp_path: Path, form: str, libver: str) -> None:
    path = make()

    def change(name: str, item: h5py.Dataset) -> dict[str, Any]:
        if form == "contiguous" or item.ndim == 0 or "S" in item.dtype.str:
            return {}
        if form == "rechunked":
            return {"chunks": tuple(max(1, (n + 1) // 2) for n in item.shape), "compression": 9} if item.size else {}
        if form == "uncompressed":
            return {"chunks": item.chunks, "maxshape": item.maxshape}
        return {"dtype": item.dtype.newbyteorder(">")} if item.dtype.kind in "if" else {}

    with h5py.File(path, "r") as source, h5py.File(tmp_path / "b.h5", "w", libver=libver) as target:
        copy_without(source, target, change)
    assert identity(tmp_path / "b.h5") == identity(path)
    with open_recording(path) as first, open_recording(tmp_path / "b.h5") as second:
        np.testing.assert_array_equal(first.read("plain"), second.read("plain"))
        assert second.read("plain").dtype == np.int16
        assert second.read("plain").dtype.isnative


def test_survives_copy_recovery_and_the_missing_close(make: Make, tmp_path: Path) -> None:
    path = make()
    shutil.copyfile(path, tmp_path / "copy.h5")
    assert identity(tmp_path / "copy.h5") == identity(path)
    assert identity(make("open.h5", close=False)) == identity(path)
    assert recover(path, tmp_path / "new.h5").identity == identity(path)


def test_uncommitted_entries_do_not_count(make: Make) -> None:
    path = make()
    before = identity(path)
    with h5py.File(path, "r+") as file:
        for name in ("echo", "push_time"):
            file[f"wells/000/{name}"].resize(5, axis=0)
    assert identity(path) == before


def test_reading_first_changes_nothing(make: Make) -> None:
    path = make()
    with open_recording(path) as run:
        run.read("plain", 1, 3)
        list(run.blocks("traces", 2))
        assert run.identity() == identity(path)


CHANGES: list[dict[str, Any]] = [
    {"pushes": 3},
    {"pushes": 5},
    {"instrument": None},
    {"operator": "someone"},
    {"started_at": None},
    {"assay_text": None},
    {"assay_text": "schema = 'stanch.assay/1'\n"},
    {"geometry": replace(GEOMETRY, well_radius=2.9e-3)},
    {"geometry": None},
    {"acquisition": replace(ACQUISITION, sound_speed=1576.0)},
    {"sample": replace(SAMPLE, drugs=None)},
    {"sample": replace(SAMPLE, demo=False)},
    {"sample": replace(SAMPLE, products=("fibrino", "gen"))},
    {"wells": [replace(layouts()[0], well=replace(PLAIN, additives=PLAIN.additives[::-1])), *layouts()[1:]]},
    {"wells": [layouts()[0], replace(layouts()[1], geometry=None), layouts()[2]]},
    {"wells": [layouts()[1], layouts()[0], layouts()[2]]},
    {"wells": [*layouts()[:2], replace(layouts()[2], frequency=None)]},
]


def test_every_fact_counts(make: Make) -> None:
    seen = [identity(make("0.h5"))]
    seen += [identity(make(f"{i}.h5", **change)) for i, change in enumerate(CHANGES, start=1)]
    assert len(set(seen)) == len(seen)


def test_every_number_counts(make: Make) -> None:
    path = make()
    seen = {identity(path)}
    spots = ["wells/000/echo", "wells/001/displacement", "wells/001/displacement_sd", "wells/002/modulus"]
    spots += ["wells/002/viscosity", "wells/002/modulus_sd", "wells/000/frame_time", "temperature/time"]
    for count, spot in enumerate(spots, start=2):
        with h5py.File(path, "r+") as file:
            data = file[spot]
            flat = data[()]
            flat.reshape(-1)[-1] = np.nextafter(flat.reshape(-1)[-1], 1e9) if flat.dtype.kind == "f" else 7
            data[...] = flat
        seen.add(identity(path))
        assert len(seen) == count, spot
    assert echo_block(3).shape[1] == SAMPLES
