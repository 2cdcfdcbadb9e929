"""Opening and reading a recording; nothing here ever changes the file."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import h5py
import numpy as np
from numpy.typing import NDArray

from stanch.errors import IntegrityError, RecordingError, UsageError
from stanch.recording.chunks import read_rows
from stanch.recording.layout import COLUMNS, SCHEMA, get_attribute, read_record
from stanch.recording.opening import committed, dataset_of, group_of, guard, open_file
from stanch.recording.records import Acquisition, Geometry, SampleFacts, SignalKind, Well
from stanch.recording.views import WellView

__all__ = ["Note", "Recording", "open_recording"]

Floats = NDArray[np.float64]


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
        with guard(str(recording.path)):
            recording.check_length()
    except BaseException:
        recording.close()
        raise
    return recording


def open_damaged(path: str | os.PathLike[str]) -> Recording:
    """As :func:`open_recording`, also where the end of the file is missing."""
    where = Path(path)
    file = open_file(where)
    try:
        with guard(str(where)):
            return Recording(where, file)
    except BaseException:
        file.close()
        raise


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
        self._push_times: dict[str, Floats] = {}
        _check_schema(path, file)
        where = str(path)
        self.sample = read_record(SampleFacts, group_of(file, "sample", where), f"{where}: sample")
        self.acquisition: Acquisition | None = None
        if "acquisition" in file:
            self.acquisition = read_record(Acquisition, group_of(file, "acquisition", where), f"{where}: acquisition")
        self.geometry: Geometry | None = None
        if "geometry" in file:
            self.geometry = read_record(Geometry, group_of(file, "geometry", where), f"{where}: geometry")
        self.instrument: str | None = get_attribute(file, "instrument", "str", where)
        self.operator: str | None = get_attribute(file, "operator", "str", where)
        self.started_at: str | None = get_attribute(file, "started_at", "str", where)
        self.assay_text, self.assay_sha256 = _read_assay(file, where)
        groups = group_of(file, "wells", where)
        self._views = [
            WellView(group_of(groups, name, where), f"{where}: wells/{name}", self.acquisition)
            for name in sorted(groups)
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
            group = group_of(self._file, name, where)
            self._log_counts[name] = committed(group, "committed", f"{where}: {name}")
            for dataset in group.values():
                dataset.refresh()
        for view in self._views:
            view.count()
        self.state = "closed" if committed(self._file, "closed", where) else "recording"

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

    def show_until(self, time: float) -> None:
        """Leave out what came later, as if the run had only come that far; :meth:`refresh` takes it in again.

        Parameters
        ----------
        time : float
            Since each well's activation; of notes and temperatures since the start of the recording [s].
        """
        for view in self._views:
            view.pushes = int(np.searchsorted(self.push_time(view.well.name), time + 1e-9))
        self._push_times.clear()
        seconds, _ = self.temperatures()
        self._log_counts["temperature"] = int((seconds <= time).sum())
        self.state = "recording"

    @contextmanager
    def _reading(self) -> Iterator[None]:
        if not self._file:
            raise UsageError(f"recording {self.path}", got="closed", allowed="an open recording", do="Open it again.")
        with guard(str(self.path)):
            yield

    def _view(self, well: str) -> WellView:
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
        known = self._push_times.get(well)
        if known is not None and known.size == view.pushes:
            return known.copy()
        with self._reading():
            time = view.rows("push_time", 0, view.pushes)
        if not np.isfinite(time).all() or (np.diff(time) <= 0).any():
            k = int(np.argmax(~np.isfinite(time[1:]) | ~(np.diff(time) > 0))) + 1 if len(time) > 1 else 0
            raise RecordingError(
                f"{self.path}: well {well}, push {k}: push_time",
                got=f"{time[k]:.9g} s after {time[k - 1]:.9g} s" if k else time[0],
                allowed="finite times that increase",
            )
        self._push_times[well] = time
        return time.copy()

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
        return self._pushes(well, start, self.push_count(well) if stop is None else stop)

    def _pushes(self, well: str, start: int, stop: int, compiled: bool = False) -> NDArray[Any]:
        view = self._view(well)
        if not 0 <= start <= stop <= view.pushes:
            raise UsageError(
                f"pushes of well {well}", got=f"{start} to {stop}", allowed=f"a range within 0 to {view.pushes}"
            )
        with self._reading():
            rows = view.rows(view.kind, start, stop, compiled)
        if rows.dtype.kind == "f" and not np.isfinite(rows).all():
            k = start + int(np.argmax(~np.isfinite(rows.reshape(len(rows), -1)).all(axis=1)))
            raise RecordingError(f"{self.path}: well {well}, push {k}", got="NaN or infinity", allowed="finite numbers")
        return rows

    def blocks(self, well: str, pushes_per_block: int = 32) -> Iterator[NDArray[Any]]:
        """Pushes of a well in order, `pushes_per_block` at a time (fewer in the last); units as in :meth:`read`."""
        if pushes_per_block < 1:
            raise UsageError("pushes_per_block", got=pushes_per_block, allowed="1 or more")
        from stanch.recording.identity import push_digest

        count = self.push_count(well)
        for start in range(0, count, pushes_per_block):
            rows = self._pushes(well, start, min(start + pushes_per_block, count), compiled=True)
            # While the bytes are at hand: the identity would have to read them again.
            self._digests.update({(well, start + i): push_digest(row) for i, row in enumerate(rows)})
            yield rows

    def push_digests(self, well: str) -> list[bytes]:
        """SHA-256 of every committed push; those read before are not read again."""
        from stanch.recording.identity import push_digest

        count, block = self.push_count(well), 16
        for start in range(0, count, block):
            missing = [i for i in range(start, min(start + block, count)) if (well, i) not in self._digests]
            if missing:
                rows = self.read(well, missing[0], missing[-1] + 1)
                self._digests.update({(well, i): push_digest(rows[i - missing[0]]) for i in missing})
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
            return [read_rows(dataset_of(self._file, f"{group}/{n}", where), start, stop, where) for n in names]

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
    dataset = dataset_of(file, "assay", where)
    if dataset.dtype != np.uint8 or dataset.ndim != 1 or dataset.size > 4 << 20:
        raise RecordingError(
            f"{where}: assay", got=f"{dataset.dtype} {dataset.shape}", allowed="uint8 text up to 4 MiB"
        )
    data = np.asarray(dataset[()]).tobytes()
    digest = hashlib.sha256(data).hexdigest()
    if digest != get_attribute(dataset, "sha256", "str", f"{where}: assay"):
        raise IntegrityError(f"{where}: assay", got=f"SHA-256 {digest}", allowed="the one stored with it")
    return data.decode(), digest
