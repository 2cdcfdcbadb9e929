"""The identity of a recording: what it says, not how its bytes lie on a disk.

The identity is the SHA-256 of a sequence of entries. It leaves out the state, the program that wrote the file, layout,
chunking, compression and byte order, so that recovery, repacking and copying keep it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from stanch.recording.layout import COLUMNS, SCHEMA, facts

if TYPE_CHECKING:
    from stanch.recording.reader import Recording

__all__ = ["identity", "push_digest"]

_BLOCK_BYTES = 8 << 20


def push_digest(block: NDArray[Any]) -> bytes:
    """SHA-256 of one push: its numbers as stored [-], little-endian, last axis fastest."""
    array = np.ascontiguousarray(block, dtype=block.dtype.newbyteorder("<"))
    return hashlib.sha256(array.data).digest()


def identity(recording: Recording) -> str:
    """SHA-256 over the canonical entries, as hexadecimal digits."""
    total = hashlib.sha256(f"{SCHEMA} identity\n".encode())
    for path, kind, payload in sorted(_entries(recording), key=lambda entry: entry[0].encode()):
        total.update(f"{path}\t{kind}\t{len(payload)}\n".encode())
        total.update(payload)
        total.update(b"\n")
    return total.hexdigest()


def _entries(recording: Recording) -> Iterator[tuple[str, str, bytes]]:
    head = {name: getattr(recording, name) for name in ("instrument", "operator", "started_at")}
    for name, value in head.items():
        yield from _fact(name, value)
    if recording.assay_text is not None:
        yield "assay", "text", recording.assay_text.encode()
    for name in ("sample", "acquisition", "geometry"):
        yield from _record(name, getattr(recording, name))
    notes = recording.notes()
    yield from _fact("notes/text", tuple(note.text for note in notes))
    yield from _fact("notes/at", tuple(note.at or "" for note in notes))
    time, kelvin = recording.temperatures()
    yield _array("temperature/time", time)
    yield _array("temperature/temperature", kelvin)
    for i, well in enumerate(recording.wells):
        yield from _well(recording, f"wells/{i:03d}", well.name)


def _well(recording: Recording, path: str, name: str) -> Iterator[tuple[str, str, bytes]]:
    kind = recording.kind(name)
    yield from _record(path, next(well for well in recording.wells if well.name == name))
    yield from _record(f"{path}/geometry", recording.own_geometry(name))
    yield from _fact(f"{path}/kind", kind)
    yield from _fact(f"{path}/frequency", recording.frequency(name))
    yield _array(f"{path}/push_time", recording.push_time(name))
    frame_time = recording.frame_time(name)
    if frame_time is not None:
        yield _array(f"{path}/frame_time", frame_time)
    for column in COLUMNS[kind]:
        values = recording.displacement_sd(name) if kind == "displacement" else recording.column(name, column)
        if values is not None:
            yield _array(f"{path}/{column}", values)
    shape = ",".join(map(str, (recording.push_count(name), *recording.block_shape(name))))
    code = recording.dtype(name).newbyteorder("<").str
    yield f"{path}/{kind}", f"{code} ({shape}) sha256 per push", b"".join(recording.push_digests(name))


def _record(path: str, record: Any) -> Iterator[tuple[str, str, bytes]]:
    if record is None:
        return
    known = facts(record)
    for field in fields(record):
        value = known.get(field.name)
        if field.name == "additives":
            for i, additive in enumerate(value or ()):
                yield from _record(f"{path}/additives/{i:03d}", additive)
        else:
            yield from _fact(f"{path}/{field.name}", value)


def _fact(path: str, value: object) -> Iterator[tuple[str, str, bytes]]:
    """Nothing for an unknown fact; else its text, number, or list of texts."""
    if value is None:
        return
    if isinstance(value, str):
        yield path, "text", value.encode()
    elif isinstance(value, tuple):
        rows = [str(v).encode() for v in value]
        yield path, "texts", b"".join(b"%d\n%s" % (len(row), row) for row in rows)
    elif isinstance(value, bool | int):
        yield path, "integer", str(int(value)).encode()
    else:
        yield _array(path, np.float64(value))  # type: ignore[arg-type]


def _array(path: str, values: NDArray[Any] | np.float64) -> tuple[str, str, bytes]:
    array = np.asarray(values)
    array = array.astype(array.dtype.newbyteorder("<"))
    shape = ",".join(map(str, array.shape))
    return path, f"{array.dtype.str} ({shape})", array.tobytes()
