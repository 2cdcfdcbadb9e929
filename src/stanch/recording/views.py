"""One well of an open recording file."""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from stanch.errors import IntegrityError, RecordingError
from stanch.recording.chunks import read_rows
from stanch.recording.layout import (
    COLUMNS,
    ECHO_DTYPES,
    KINDS,
    WellLayout,
    block_shape,
    get_attribute,
    read_record,
)
from stanch.recording.opening import committed, dataset_of, group_of
from stanch.recording.records import Acquisition, Geometry, SignalKind, Well

__all__ = ["WellView"]

Floats = NDArray[np.float64]


class WellView:
    """One well of an open file.

    Parameters
    ----------
    group : h5py.Group
        The well's.
    where : str
        File and group, for messages.
    acquisition : Acquisition or None
        The recording's.
    """

    def __init__(self, group: h5py.Group, where: str, acquisition: Acquisition | None) -> None:
        self._group = group
        self._where = where
        self.well = read_record(Well, group, where)
        self.name = f"{where.rsplit(': ', 1)[0]}: well {self.well.name}"
        kind = get_attribute(group, "kind", "str", where)
        if kind not in KINDS:
            raise RecordingError(f"{where}@kind", got=kind, allowed=", ".join(KINDS), do="The file was altered.")
        self.kind: SignalKind = kind
        self.frequency: float | None = get_attribute(group, "frequency", "float", where)
        self.geometry = (
            read_record(Geometry, group_of(group, "geometry", where), where) if "geometry" in group else None
        )
        self.frame_time = self._frame_time()
        signal = dataset_of(group, kind, where)
        self.dtype: np.dtype[Any] = signal.dtype.newbyteorder("=")
        self.shape: tuple[int, ...] = signal.shape[1:]
        self._check(signal, acquisition)
        self.pushes = 0
        self.columns: tuple[str, ...] = ()

    def _frame_time(self) -> Floats | None:
        if self.kind == "modulus":
            return None
        dataset = dataset_of(self._group, "frame_time", self._where)
        if dataset.ndim != 1 or not 0 < dataset.size <= 1 << 20 or dataset.dtype.kind != "f":
            raise RecordingError(f"{self.name}: frame_time", got=f"shape {dataset.shape}", allowed="times [s]")
        time = np.asarray(dataset[()], dtype=np.float64)
        if not np.isfinite(time).all() or (np.diff(time) <= 0).any():
            raise RecordingError(
                f"{self.name}: frame_time", got="times out of order", allowed="finite times that increase"
            )
        return time

    def _check(self, signal: h5py.Dataset, acquisition: Acquisition | None) -> None:
        where = f"{self.name}: {self.kind}"
        allowed = ECHO_DTYPES if self.kind == "echo" else ("float64",)
        if str(self.dtype) not in allowed:
            raise RecordingError(where, got=str(self.dtype), allowed=", ".join(allowed), do="The file was altered.")
        samples = self.shape[1] if self.kind == "echo" and len(self.shape) > 1 else None
        expected = block_shape(WellLayout(self.well, self.kind, self.frame_time, sample_count=samples), acquisition)
        if self.shape != expected or 0 in self.shape:
            raise RecordingError(where, got=f"shape {signal.shape}", allowed=f"(push, *{expected})")
        if self.kind != "modulus" and acquisition is None:
            raise RecordingError(f"{self.name}: acquisition", got="nothing", allowed="an acquisition")
        for column in COLUMNS[self.kind]:
            found = dataset_of(self._group, column, self._where)
            if found.shape[1:] != self.shape or found.dtype.kind != "f":
                raise RecordingError(
                    f"{self.name}: {column}", got=f"shape {found.shape}", allowed=f"(push, *{self.shape})"
                )
        times = dataset_of(self._group, "push_time", self._where)
        if times.ndim != 1 or times.dtype.kind != "f":
            raise RecordingError(f"{self.name}: push_time", got=f"shape {times.shape}", allowed="(push,)")

    def count(self) -> None:
        """Read how many pushes are committed and which columns are given."""
        # The counter first: what it speaks for was written before it, and may be newer than what is known here of it.
        self.pushes = committed(self._group, "committed", self._where)
        names = (self.kind, "push_time", *COLUMNS[self.kind])
        for name in names:
            self._group[name].refresh()
        length = min(self._group[n].shape[0] for n in names[:2])
        if length < self.pushes:
            raise IntegrityError(f"{self.name}, push {length}", got="nothing", allowed=f"{self.pushes} pushes")
        sizes = {name: self._group[name].shape[0] for name in COLUMNS[self.kind]}
        self.columns = tuple(name for name, size in sizes.items() if self.pushes and size >= self.pushes)
        for name, size in sizes.items():
            if 0 < size < self.pushes:
                raise IntegrityError(f"{self.name}: {name}", got=f"{size} entries", allowed=f"{self.pushes} or none")

    def end(self) -> int:
        """Where the last committed push ends in the file [byte]."""
        dataset = self._group[self.kind]
        if not self.pushes or dataset.chunks != (1, *self.shape):
            return 0
        info = dataset.id.get_chunk_info_by_coord((self.pushes - 1, *(0 for _ in self.shape)))
        return 0 if info.byte_offset is None else int(info.byte_offset) + int(info.size)

    def rows(self, name: str, start: int, stop: int, compiled: bool = False) -> NDArray[Any]:
        """Entries of one of the well's datasets, as stored [-], checksum verified."""
        return read_rows(self._group[name], start, stop, f"{self.name}: {name}, push", compiled)
