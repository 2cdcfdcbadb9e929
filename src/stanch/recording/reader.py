"""Opening and reading a recording; nothing here ever changes the file."""

from __future__ import annotations

import ctypes
import hashlib
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import h5py
import numpy as np
from numpy.typing import NDArray

from stanch.errors import IntegrityError, RecordingError, StanchError, UsageError
from stanch.recording.chunks import read_rows
from stanch.recording.layout import (
    COLUMNS,
    ECHO_DTYPES,
    KINDS,
    SCHEMA,
    block_shape,
    get_attribute,
    read_counter,
    read_record,
)
from stanch.recording.layout import WellLayout as Layout
from stanch.recording.records import Acquisition, Geometry, SampleFacts, SignalKind, Well

__all__ = ["Note", "Recording", "open_recording"]

Floats = NDArray[np.float64]
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_FAULTS = (OSError, RuntimeError, ValueError, KeyError, TypeError, AttributeError, UnicodeError)


@dataclass(frozen=True)
class Note:
    """An entry of the log; the time (UTC, ISO 8601) may be unknown."""

    text: str
    at: str | None


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recording, also one that is being written or whose writer was killed.

    Parameters
    ----------
    path : path
        The file; it is not changed.

    Returns
    -------
    Recording
        Data are read when asked for.

    Raises
    ------
    RecordingError
        If it is no recording, or of a newer schema.
    IntegrityError
        If it is cut or damaged.
    """
    recording = open_damaged(path)
    try:
        with _guard(str(recording.path)):
            recording.check_length()
    except BaseException:
        recording.close()
        raise
    return recording


def open_damaged(path: str | os.PathLike[str]) -> Recording:
    """As :func:`open_recording`, also where the end of the file is missing."""
    where = Path(path)
    swmr = _inspect(where)
    try:
        file = _open_written(where) if swmr else h5py.File(where, "r", locking="best-effort")
    except _FAULTS as error:
        raise IntegrityError(
            f"recording {where}", got=_reason(error), allowed="a whole HDF5 file", do="Fetch it again from its source."
        ) from None
    try:
        with _guard(str(where)):
            return Recording(where, file)
    except BaseException:
        file.close()
        raise


def _inspect(path: Path) -> bool:
    """Whether the file must be opened as one being written."""
    where = f"recording {path}"
    do = "Name a recording; foreign data are read by convert."
    if path.is_dir():
        raise RecordingError(where, got="a directory", allowed="a recording file", do=do)
    try:
        with path.open("rb") as stream:
            head = stream.read(48)
    except (OSError, ValueError) as error:
        got = getattr(error, "strerror", None) or str(error)
        raise RecordingError(where, got=got, allowed="a readable file", do="Check the name and the rights.") from None
    if not head:
        raise RecordingError(where, got="an empty file", allowed="a recording", do=do)
    if not head.startswith(_SIGNATURE):
        raise RecordingError(where, got="no HDF5 signature", allowed="an HDF5 file", do=do)
    return len(head) > 11 and head[8] == 3 and bool(head[11] & 5)


def _open_written(path: Path) -> h5py.File:
    """Open a file whose writer is at work or was killed."""
    access = h5py.h5p.create(h5py.h5p.FILE_ACCESS)
    access.set_fclose_degree(h5py.h5f.CLOSE_DEFAULT)
    access.set_file_locking(True, True)
    # A torn read is over in microseconds. HDF5 tries 100 times and doubles its pause each time, which never ends on a
    # damaged file; its setting for that is not in h5py, but the library that h5py is linked with has it.
    limit = getattr(ctypes.CDLL(h5py.h5p.__file__), "H5Pset_metadata_read_attempts", None)
    if limit is not None:
        limit.argtypes = (ctypes.c_int64, ctypes.c_uint)
        limit(access.id, 20)
    return h5py.File(h5py.h5f.open(os.fsencode(path), h5py.h5f.ACC_RDONLY | h5py.h5f.ACC_SWMR_READ, fapl=access))


def _reason(error: BaseException) -> str:
    text = str(error)
    for key, said in (("truncated", "a truncated file"), ("eof", "a truncated file"), ("checksum", "a wrong checksum")):
        if key in text.lower():
            return said
    return text.strip("\"'") or type(error).__name__


@contextmanager
def _guard(where: str) -> Iterator[None]:
    """Turn what HDF5 says of a damaged file into our error."""
    try:
        yield
    except StanchError:
        raise
    except _FAULTS as error:
        raise IntegrityError(f"recording {where}", got=_reason(error), allowed="data as written") from None


class Recording:
    """A recording opened for reading; from :func:`open_recording`.

    What counts is what was committed when it was opened, or at the last :meth:`refresh`.

    Parameters
    ----------
    path : Path
    sample : SampleFacts
    acquisition : Acquisition or None
    geometry : Geometry or None
        Of wells that state none of their own.
    wells : tuple of Well
    instrument, operator, started_at : str or None
    assay_text, assay_sha256 : str or None
        The assay document in force at capture.
    state : str
        ``closed``, or ``recording``: still being written, or ended without a close at its last committed push.
    """

    def __init__(self, path: Path, file: h5py.File) -> None:
        self.path = path
        self._file = file
        self._digests: dict[tuple[str, int], bytes] = {}
        _check_schema(path, file)
        where = str(path)
        self.sample = read_record(SampleFacts, _group(file, "sample", where), f"{where}: sample")
        self.acquisition: Acquisition | None = None
        if "acquisition" in file:
            self.acquisition = read_record(Acquisition, _group(file, "acquisition", where), f"{where}: acquisition")
        self.geometry: Geometry | None = None
        if "geometry" in file:
            self.geometry = read_record(Geometry, _group(file, "geometry", where), f"{where}: geometry")
        self.instrument: str | None = get_attribute(file, "instrument", "str", where)
        self.operator: str | None = get_attribute(file, "operator", "str", where)
        self.started_at: str | None = get_attribute(file, "started_at", "str", where)
        self.assay_text, self.assay_sha256 = _read_assay(file, where)
        groups = _group(file, "wells", where)
        self._views = [
            _View(_group(groups, name, where), f"{where}: {name}", self.acquisition) for name in sorted(groups)
        ]
        self._index = {view.well.name: view for view in self._views}
        if not self._views or len(self._index) != len(self._views):
            raise RecordingError(
                f"{where}: wells", got=[v.well.name for v in self._views], allowed="wells of different names"
            )
        self.wells: tuple[Well, ...] = tuple(view.well for view in self._views)
        self.state: Literal["recording", "closed"] = "recording"
        self._log_counts = {"notes": 0, "temperature": 0}
        self._count()

    def _count(self) -> None:
        where = str(self.path)
        for name in self._log_counts:
            group = _group(self._file, name, where)
            self._log_counts[name] = _counter(group, "committed", f"{where}: {name}")
            for dataset in group.values():
                dataset.refresh()
        for view in self._views:
            view.count()
        self.state = "closed" if _counter(self._file, "closed", where) else "recording"

    def check_length(self) -> None:
        """Make sure that the last committed push of every well lies within the file.

        Raises
        ------
        IntegrityError
            If the file is shorter.
        """
        size = self.path.stat().st_size
        for view in self._views:
            if view.end() > size:
                raise IntegrityError(
                    f"recording {self.path}",
                    got=f"a truncated file of {size} bytes",
                    allowed=f"at least {view.end()} bytes, up to the last committed push of well {view.well.name}",
                    do="Fetch it again from its source, or save what is left with recover.",
                )

    def refresh(self) -> None:
        """Take in what was committed since the recording was opened."""
        with self._reading():
            self._count()

    @contextmanager
    def _reading(self) -> Iterator[None]:
        if not self._file:
            raise UsageError(f"recording {self.path}", got="closed", allowed="an open recording", do="Open it again.")
        with _guard(str(self.path)):
            yield

    def _view(self, well: str) -> _View:
        view = self._index.get(well)
        if view is None:
            raise RecordingError(
                f"{self.path}: well", got=well, allowed=", ".join(self._index), do="Name one of these."
            )
        return view

    def kind(self, well: str) -> SignalKind:
        """What the well holds: echo, displacement or modulus."""
        return self._view(well).kind

    def geometry_of(self, well: str) -> Geometry | None:
        """The well's own geometry, or else the recording's."""
        return self._view(well).geometry or self.geometry

    def own_geometry(self, well: str) -> Geometry | None:
        """The geometry stated for this well alone, or None."""
        return self._view(well).geometry

    def frequency(self, well: str) -> float | None:
        """Frequency at which a modulus well was measured; None is unknown [Hz]."""
        return self._view(well).frequency

    def push_count(self, well: str) -> int:
        """Committed pushes of the well."""
        return self._view(well).pushes

    def push_time(self, well: str) -> Floats:
        """Starts of the pushes since the well's activation, shape (push,) [s]."""
        view = self._view(well)
        with self._reading():
            time = view.rows("push_time", 0, view.pushes)
        if not np.isfinite(time).all() or (np.diff(time) <= 0).any():
            k = int(np.argmax(~np.isfinite(time[1:]) | ~(np.diff(time) > 0))) + 1 if len(time) > 1 else 0
            raise RecordingError(
                f"{self.path}: well {well}, push {k}: push_time",
                got=f"{time[k]:.9g} s after {time[k - 1]:.9g} s" if k else time[0],
                allowed="finite times that increase",
            )
        return time

    def frame_time(self, well: str) -> Floats | None:
        """Frame times from the start of the push, shape (frame,) [s]; None for a modulus well."""
        time = self._view(well).frame_time
        return None if time is None else time.copy()

    def block_shape(self, well: str) -> tuple[int, ...]:
        """Shape of one push: (frame, sample), (frame,) or ()."""
        return self._view(well).shape

    def dtype(self, well: str) -> np.dtype[Any]:
        """Number type of the well's data."""
        return self._view(well).dtype

    def read(self, well: str, start: int = 0, stop: int | None = None) -> NDArray[Any]:
        """Pushes start..stop-1 of a well.

        Parameters
        ----------
        well : str
            Its name.
        start, stop : int
            Range of committed pushes; stop None is all.

        Returns
        -------
        ndarray, shape (push, frame, sample), (push, frame) or (push,)
            Echo lines [counts], displacement [m] or modulus [Pa].

        Raises
        ------
        IntegrityError
            If a push is damaged; names well and push.
        """
        view = self._view(well)
        stop = view.pushes if stop is None else stop
        if not 0 <= start <= stop <= view.pushes:
            raise UsageError(
                f"pushes of well {well}", got=f"{start} to {stop}", allowed=f"a range within 0 to {view.pushes}"
            )
        with self._reading():
            rows = view.rows(view.kind, start, stop)
        if rows.dtype.kind == "f" and not np.isfinite(rows).all():
            k = start + int(np.argmax(~np.isfinite(rows.reshape(len(rows), -1)).all(axis=1)))
            raise RecordingError(f"{self.path}: well {well}, push {k}", got="NaN or infinity", allowed="finite numbers")
        return rows

    def blocks(self, well: str, pushes_per_block: int = 32) -> Iterator[NDArray[Any]]:
        """Pushes of a well in order, `pushes_per_block` at a time (fewer in the last block)."""
        if pushes_per_block < 1:
            raise UsageError("pushes_per_block", got=pushes_per_block, allowed="1 or more")
        count = self.push_count(well)
        for start in range(0, count, pushes_per_block):
            yield self.read(well, start, min(start + pushes_per_block, count))

    def push_digests(self, well: str) -> list[bytes]:
        """SHA-256 of every committed push; those read before are not read again."""
        from stanch.recording.identity import push_digest

        count = self.push_count(well)
        for i in range(count):
            if (well, i) not in self._digests:
                self._digests[well, i] = push_digest(self.read(well, i, i + 1)[0])
        return [self._digests[well, i] for i in range(count)]

    def displacement_sd(self, well: str) -> Floats | None:
        """Standard deviations of a displacement well, shape (push, frame) [m]; None when not stated."""
        return self._column(well, "displacement_sd", "displacement")

    def column(self, well: str, name: str) -> Floats | None:
        """A column beside a modulus, shape (push,), or None: viscosity [Pa·s], loss_modulus, modulus_sd [Pa]."""
        if name not in COLUMNS["modulus"]:
            raise UsageError("column", got=name, allowed=", ".join(COLUMNS["modulus"]), do="Name one of these.")
        return self._column(well, name, "modulus")

    def _column(self, well: str, name: str, kind: str) -> Floats | None:
        view = self._view(well)
        if view.kind != kind or name not in view.columns:
            return None
        with self._reading():
            rows = view.rows(name, 0, view.pushes)
        if not np.isfinite(rows).all():
            raise RecordingError(f"{self.path}: well {well}: {name}", got="NaN or infinity", allowed="finite numbers")
        return rows

    def has_column(self, well: str, name: str) -> bool:
        """Whether the well's pushes carry this column."""
        return name in self._view(well).columns

    def entry(self, well: str, name: str, push: int) -> Any:
        """One entry, unchecked but for its checksum, of a column or of push_time."""
        view = self._view(well)
        with self._reading():
            return view.rows(name, push, push + 1)[0]

    @property
    def note_count(self) -> int:
        """Committed notes."""
        return self._log_counts["notes"]

    @property
    def temperature_count(self) -> int:
        """Committed temperatures."""
        return self._log_counts["temperature"]

    def notes(self, start: int = 0, stop: int | None = None) -> tuple[Note, ...]:
        """The log, in the order of writing."""
        text, at = self._log("notes", ("text", "at"), start, stop)
        with self._reading():
            return tuple(Note(t.decode(), a.decode() or None) for t, a in zip(text, at, strict=True))

    def temperatures(self, start: int = 0, stop: int | None = None) -> tuple[Floats, Floats]:
        """Time since the start of the recording [s] and temperature of the well block [K]."""
        time, kelvin = self._log("temperature", ("time", "temperature"), start, stop)
        if not (np.isfinite(time).all() and np.isfinite(kelvin).all()):
            raise RecordingError(f"{self.path}: temperature", got="NaN or infinity", allowed="finite numbers")
        return time, kelvin

    def _log(self, group: str, names: tuple[str, ...], start: int, stop: int | None) -> list[NDArray[Any]]:
        count = self._log_counts[group]
        stop = count if stop is None else stop
        if not 0 <= start <= stop <= count:
            raise UsageError(f"entries of {group}", got=f"{start} to {stop}", allowed=f"a range within 0 to {count}")
        where = f"{self.path}: {group}, entry"
        with self._reading():
            return [read_rows(_dataset(self._file, f"{group}/{n}", where), start, stop, where) for n in names]

    def identity(self) -> str:
        """SHA-256 of what was committed, as 64 hexadecimal digits; see ``docs/reference/recording-format.md``."""
        from stanch.recording.identity import identity

        return identity(self)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _View:
    """One well of an open file."""

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
        self.geometry = read_record(Geometry, _group(group, "geometry", where), where) if "geometry" in group else None
        self.frame_time = self._frame_time()
        signal = _dataset(group, kind, where)
        self.dtype: np.dtype[Any] = signal.dtype.newbyteorder("=")
        self.shape: tuple[int, ...] = signal.shape[1:]
        self._check(signal, acquisition)
        self.pushes = 0
        self.columns: tuple[str, ...] = ()

    def _frame_time(self) -> Floats | None:
        if self.kind == "modulus":
            return None
        dataset = _dataset(self._group, "frame_time", self._where)
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
        expected = block_shape(Layout(self.well, self.kind, self.frame_time, sample_count=samples), acquisition)
        if self.shape != expected or 0 in self.shape:
            raise RecordingError(where, got=f"shape {signal.shape}", allowed=f"(push, *{expected})")
        if self.kind != "modulus" and acquisition is None:
            raise RecordingError(f"{self.name}: acquisition", got="nothing", allowed="an acquisition")
        for column in COLUMNS[self.kind]:
            found = _dataset(self._group, column, self._where)
            if found.shape[1:] != self.shape or found.dtype.kind != "f":
                raise RecordingError(
                    f"{self.name}: {column}", got=f"shape {found.shape}", allowed=f"(push, *{self.shape})"
                )
        times = _dataset(self._group, "push_time", self._where)
        if times.ndim != 1 or times.dtype.kind != "f":
            raise RecordingError(f"{self.name}: push_time", got=f"shape {times.shape}", allowed="(push,)")

    def count(self) -> None:
        """Read how many pushes are committed and which columns are given."""
        # The counter first: what it speaks for was written before it, and may be newer than what is known here of it.
        self.pushes = _counter(self._group, "committed", self._where)
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

    def rows(self, name: str, start: int, stop: int) -> NDArray[Any]:
        return read_rows(self._group[name], start, stop, f"{self.name}: {name}, push")


def _check_schema(path: Path, file: h5py.File) -> None:
    got = get_attribute(file, "schema", "str", str(path))
    where = f"recording {path}: schema"
    stem, _, number = (got or "").rpartition("/")
    if stem != SCHEMA.rpartition("/")[0] or not number.isdecimal() or len(number) > 6:
        raise RecordingError(where, got=got or "nothing", allowed=SCHEMA, do="Read foreign data with convert.")
    if not 1 <= int(number) <= int(SCHEMA.rpartition("/")[2]):
        raise RecordingError(where, got=got, allowed=f"{SCHEMA} or older", do="Update this program to read it.")


def _read_assay(file: h5py.File, where: str) -> tuple[str | None, str | None]:
    if "assay" not in file:
        return None, None
    dataset = _dataset(file, "assay", where)
    if dataset.dtype != np.uint8 or dataset.ndim != 1 or dataset.size > 4 << 20:
        raise RecordingError(
            f"{where}: assay", got=f"{dataset.dtype} {dataset.shape}", allowed="uint8 text up to 4 MiB"
        )
    data = np.asarray(dataset[()]).tobytes()
    digest = hashlib.sha256(data).hexdigest()
    if digest != get_attribute(dataset, "sha256", "str", f"{where}: assay"):
        raise IntegrityError(f"{where}: assay", got=f"SHA-256 {digest}", allowed="the one stored with it")
    return data.decode(), digest


def _group(parent: h5py.Group, name: str, where: str) -> h5py.Group:
    found = parent.get(name)
    if not isinstance(found, h5py.Group):
        raise RecordingError(f"{where}: group {name}", got="nothing", allowed="a group", do="The file was altered.")
    return found


def _dataset(parent: h5py.Group, name: str, where: str) -> h5py.Dataset:
    found = parent.get(name)
    if not isinstance(found, h5py.Dataset) or found.shape is None or found.dtype.kind not in "iufS":
        raise RecordingError(
            f"{where}: {name}", got="nothing", allowed="an array of numbers", do="The file was altered."
        )
    return found


def _counter(group: h5py.Group, name: str, where: str) -> int:
    dataset = _dataset(group, name, where)
    for attempt in range(5):
        dataset.refresh()
        try:
            return read_counter(dataset, f"{where}: {name}")
        except IntegrityError:
            # A writer may be half-way through the sixteen bytes.
            if attempt == 4:
                raise
            time.sleep(0.002)
    raise AssertionError("unreachable")
