"""Writing a recording, one push at a time.

A push is acknowledged only after its data and then its commit counter have been handed to the operating system, so a
killed process loses at most the push in flight. Chunks that hold committed data are never written again.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import h5py
import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import RecordingError, UsageError
from stanch.recording.layout import (
    COLUMNS,
    ECHO_DTYPES,
    KINDS,
    NOTE_BYTES,
    SCHEMA,
    WellLayout,
    block_shape,
    clean_text,
    facts,
    set_attribute,
    well_group,
    write_record,
)
from stanch.recording.outputs import check_target, publish, sibling
from stanch.recording.records import Acquisition, Geometry, SampleFacts
from stanch.recording.times import utc_text
from stanch.version import __version__

__all__ = ["Writer", "create"]


def create(
    path: str | os.PathLike[str],
    *,
    sample: SampleFacts,
    wells: Sequence[WellLayout],
    acquisition: Acquisition | None,
    geometry: Geometry | None,
    assay_text: str | None = None,
    instrument: str | None = None,
    operator: str | None = None,
    started_at: str | None = None,
    overwrite: bool = False,
) -> Writer:
    """Start a recording.

    The file appears under its name only when it is complete enough to be read at any later moment.

    Parameters
    ----------
    path : path
        The file to write.
    sample : SampleFacts
    wells : sequence of WellLayout
        One or more, with different names.
    acquisition : Acquisition or None
        Required when a well holds echoes or displacements.
    geometry : Geometry or None
        Of every well that states none of its own.
    assay_text : str or None
        The assay document in force at capture; kept, not interpreted.
    instrument, operator : str or None
    started_at : str or None
        ISO 8601 with offset; zero of the temperature series.
    overwrite : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    Writer
        Also a context manager; leaving it without an error closes the recording.

    Raises
    ------
    OutputExistsError
        If the file exists and `overwrite` is not set.
    RecordingError
        If something stated cannot be recorded.
    """
    target = Path(path)
    check_target(target, overwrite)
    _check_wells(wells, acquisition, geometry)
    head = {
        "instrument": None if instrument is None else clean_text(instrument, "instrument"),
        "operator": None if operator is None else clean_text(operator, "operator"),
        "started_at": utc_text(started_at, "started_at"),
    }
    facts(sample, "sample: ")
    beside = sibling(target)
    file = None
    try:
        file = h5py.File(beside, "w", libver=("v110", "v110"), track_order=False)
        _lay_out(file, sample, wells, acquisition, geometry, assay_text, head)
        file.flush()
        file.swmr_mode = True
        publish(beside, target, overwrite)
    except BaseException:
        if file is not None:
            file.close()
        beside.unlink(missing_ok=True)
        raise
    return Writer(target, file, wells, acquisition)


def _check_wells(wells: Sequence[WellLayout], acquisition: Acquisition | None, geometry: Geometry | None) -> None:
    if not wells:
        raise RecordingError("wells", got="none", allowed="one or more", do="State the wells.")
    if len(wells) > 999:
        raise RecordingError("wells", got=len(wells), allowed="up to 999", do="Split the recording.")
    names: set[str] = set()
    for layout in wells:
        name = clean_text(layout.well.name, "name of a well", limit=200)
        where = f"well {name}"
        if not name.strip() or name != name.strip():
            raise RecordingError("name of a well", got=name, allowed="text without outer blanks", do="Name the well.")
        if name in names:
            raise RecordingError(where, got="the same name twice", allowed="different names", do="Rename one.")
        names.add(name)
        facts(layout.well, f"{where}: ")
        _check_layout(layout, acquisition, where)


def _check_layout(layout: WellLayout, acquisition: Acquisition | None, where: str) -> None:
    if layout.kind not in KINDS:
        raise RecordingError(f"{where}: kind", got=layout.kind, allowed=", ".join(KINDS), do="Correct it.")
    if layout.frequency is not None and not (np.isfinite(layout.frequency) and layout.frequency > 0):
        raise RecordingError(f"{where}: frequency", got=layout.frequency, allowed="a positive number [Hz]")
    if layout.kind == "modulus":
        if layout.frame_time is not None:
            raise RecordingError(f"{where}: frame_time", got="an array", allowed="None for a modulus well")
        return
    if layout.frequency is not None:
        raise RecordingError(f"{where}: frequency", got=layout.frequency, allowed="None unless it holds a modulus")
    if acquisition is None:
        raise RecordingError(
            f"{where}: acquisition", got=None, allowed="an acquisition", do=f"{layout.kind} needs one."
        )
    _check_frames(layout, acquisition, where)
    if layout.kind == "echo":
        if layout.dtype not in ECHO_DTYPES:
            raise RecordingError(f"{where}: dtype", got=layout.dtype, allowed=", ".join(ECHO_DTYPES))
        if layout.sample_count is None or layout.sample_count < 1:
            raise RecordingError(
                f"{where}: sample_count", got=layout.sample_count, allowed="1 or more samples per line"
            )


def _check_frames(layout: WellLayout, acquisition: Acquisition, where: str) -> None:
    time = None if layout.frame_time is None else np.asarray(layout.frame_time)
    if time is None or time.ndim != 1 or time.size == 0 or time.dtype.kind not in "fiu":
        got = None if time is None else f"shape {time.shape} of {time.dtype}"
        raise RecordingError(f"{where}: frame_time", got=got, allowed="one or more times in one dimension [s]")
    if not np.isfinite(time).all():
        raise RecordingError(f"{where}: frame_time", got="NaN or infinity", allowed="finite times [s]")
    if (np.diff(time) <= 0).any():
        k = int(np.argmax(np.diff(time) <= 0)) + 1
        raise RecordingError(
            f"{where}: frame_time",
            got=f"{time[k]:.9g} s at frame {k} after {time[k - 1]:.9g} s",
            allowed="times that increase from frame to frame",
        )
    before = int((time < 0).sum())
    if layout.kind == "echo" and before < acquisition.frames_before_push:
        raise RecordingError(
            f"{where}: frame_time",
            got=f"{before} negative times",
            allowed=f"at least frames_before_push = {acquisition.frames_before_push}",
            do="Count frame times from the start of the push.",
        )
    if before == time.size:
        raise RecordingError(f"{where}: frame_time", got="no frame after the start of the push", allowed="one or more")


def _lay_out(
    file: h5py.File,
    sample: SampleFacts,
    wells: Sequence[WellLayout],
    acquisition: Acquisition | None,
    geometry: Geometry | None,
    assay_text: str | None,
    head: dict[str, str | None],
) -> None:
    set_attribute(file, "schema", SCHEMA)
    set_attribute(file, "written_by", f"stanch {__version__}")
    for name, value in head.items():
        set_attribute(file, name, value)
    _counter(file, "closed")
    write_record(file.create_group("sample"), sample)
    if acquisition is not None:
        write_record(file.create_group("acquisition"), acquisition)
    if geometry is not None:
        write_record(file.create_group("geometry"), geometry)
    if assay_text is not None:
        _write_assay(file, assay_text)
    notes = file.create_group("notes")
    _series(notes, "text", (), h5py.string_dtype("utf-8", NOTE_BYTES))
    _series(notes, "at", (), h5py.string_dtype("utf-8", 40))
    _counter(notes, "committed")
    temperature = file.create_group("temperature")
    _series(temperature, "time", (), "<f8", unit="s")
    _series(temperature, "temperature", (), "<f8", unit="K")
    _counter(temperature, "committed")
    for i, layout in enumerate(wells):
        _lay_out_well(file.create_group(well_group(i)), layout, acquisition)


_UNITS = {
    "echo": "1",
    "displacement": "m",
    "displacement_sd": "m",
    "modulus": "Pa",
    "modulus_sd": "Pa",
    "loss_modulus": "Pa",
    "viscosity": "Pa·s",
}


def _lay_out_well(group: h5py.Group, layout: WellLayout, acquisition: Acquisition | None) -> None:
    write_record(group, layout.well)
    set_attribute(group, "kind", layout.kind)
    set_attribute(group, "frequency", layout.frequency)
    if layout.geometry is not None:
        write_record(group.create_group("geometry"), layout.geometry)
    shape = block_shape(layout, acquisition)
    if layout.frame_time is not None:
        time = np.asarray(layout.frame_time, dtype="<f8")
        dataset = group.create_dataset("frame_time", data=time, chunks=time.shape, fletcher32=True)
        set_attribute(dataset, "unit", "s")
    dtype = np.dtype(layout.dtype).newbyteorder("<") if layout.kind == "echo" else np.dtype("<f8")
    _series(group, layout.kind, shape, dtype, unit=_UNITS[layout.kind])
    for column in COLUMNS[layout.kind]:
        _series(group, column, shape, "<f8", unit=_UNITS[column])
    _series(group, "push_time", (), "<f8", unit="s")
    _counter(group, "committed")


def _write_assay(file: h5py.File, text: str) -> None:
    data = clean_text(text, "assay", limit=4 << 20, lines=True).encode()
    rows = np.frombuffer(data, dtype=np.uint8)
    chunks = (max(1, rows.size),)
    dataset = file.create_dataset("assay", data=rows, maxshape=(None,), chunks=chunks, fletcher32=True, compression=1)
    set_attribute(dataset, "sha256", hashlib.sha256(data).hexdigest())


def _series(group: h5py.Group, name: str, shape: tuple[int, ...], dtype: Any, unit: str = "") -> None:
    """An appendable dataset with one chunk per entry, checked and (unless tiny) shuffled and compressed."""
    squeeze = int(np.prod(shape)) > 1 or h5py.check_string_dtype(np.dtype(dtype)) is not None
    dataset = group.create_dataset(
        name,
        shape=(0, *shape),
        maxshape=(None, *shape),
        chunks=(1, *shape),
        dtype=dtype,
        fletcher32=True,
        shuffle=squeeze,
        compression=1 if squeeze else None,
    )
    if unit:
        set_attribute(dataset, "unit", unit)


def _counter(group: h5py.Group, name: str) -> None:
    group.create_dataset(name, data=np.array([0, -1], dtype="<i8"))


class Writer:
    """A recording being written; from :func:`create`.

    Parameters
    ----------
    path : Path
        The file.
    """

    def __init__(
        self, path: Path, file: h5py.File, wells: Sequence[WellLayout], acquisition: Acquisition | None
    ) -> None:
        self.path = path
        self._file: h5py.File | None = file
        self._wells = {
            clean_text(w.well.name, "name"): _WellWriter(file, i, w, acquisition) for i, w in enumerate(wells)
        }
        self._notes = _Log(file["notes"], ("text", "at"))
        self._temperatures = _Log(file["temperature"], ("time", "temperature"))
        self._temperature_time = -np.inf

    def append(
        self,
        well: str,
        push_time: float,
        block: ArrayLike,
        *,
        sd: ArrayLike | None = None,
        viscosity: float | None = None,
        loss_modulus: float | None = None,
        modulus_sd: float | None = None,
    ) -> int:
        """Record one push of one well.

        Parameters
        ----------
        well : str
            Its name.
        push_time : float
            Start of the push since the well's activation; later than the push before [s].
        block : ndarray, shape (frame, sample), (frame,) or ()
            Echo lines [counts], displacement [m] or modulus [Pa]; IQ echoes have a last axis of two.
        sd : ndarray, shape (frame,), optional
            Standard deviation of a displacement [m].
        viscosity, loss_modulus, modulus_sd : float, optional
            Beside a modulus [Pa·s, Pa, Pa].

        Returns
        -------
        int
            Number of pushes of this well that are now safe from a killed process.

        Raises
        ------
        RecordingError
            If the push cannot be recorded; nothing of it is then kept.
        """
        self._open()
        found = self._wells.get(clean_text(well, "well"))
        if found is None:
            raise RecordingError("well", got=well, allowed=", ".join(self._wells), do="Use the name of a well.")
        columns = {
            "displacement_sd": sd,
            "viscosity": viscosity,
            "loss_modulus": loss_modulus,
            "modulus_sd": modulus_sd,
        }
        return found.append(push_time, block, columns)

    def temperature(self, time: float, kelvin: float) -> None:
        """Record the temperature of the well block.

        Parameters
        ----------
        time : float
            Since the start of the recording, not before the entry before [s].
        kelvin : float
            [K].
        """
        self._open()
        _check_time("temperature: time", time, self._temperature_time)
        if not (np.isfinite(kelvin) and kelvin > 0):
            raise RecordingError(
                "temperature", got=kelvin, allowed="a positive finite number of kelvin", do="Correct it."
            )
        self._temperatures.append((float(time), float(kelvin)))
        self._temperature_time = float(time)

    def note(self, text: str, at: str | None = None) -> None:
        """Add a note to the log.

        Parameters
        ----------
        text : str
            Up to 1024 bytes of UTF-8.
        at : str or None
            ISO 8601 with offset; None is unknown.
        """
        self._open()
        clean = clean_text(text, "note", limit=NOTE_BYTES, lines=True)
        if not clean.strip():
            raise RecordingError("note", got=text, allowed="some text", do="Write the note.")
        self._notes.append((clean.encode(), (utc_text(at, "at of a note") or "").encode()))

    def close(self) -> None:
        """Mark the recording closed and let go of the file."""
        if self._file is not None:
            closed = self._file["closed"]
            closed[...] = (1, -2)
            closed.flush()
            self.abandon()

    def abandon(self) -> None:
        """Let go of the file without marking it closed, as after a fault."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _open(self) -> None:
        if self._file is None:
            raise UsageError(
                f"recording {self.path}", got="closed", allowed="an open writer", do="Append before close."
            )

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()


def _check_time(where: str, time: float, last: float) -> None:
    if not np.isfinite(time):
        raise RecordingError(where, got=time, allowed="a finite number of seconds", do="Correct it.")
    if time <= last:
        raise RecordingError(
            where, got=f"{time:.9g} s after {last:.9g} s", allowed="times that increase", do="Correct the clock."
        )


class _Log:
    """Datasets that grow together, with their commit counter."""

    def __init__(self, group: h5py.Group, names: tuple[str, ...]) -> None:
        self._file = group.file
        self._datasets = [group[name] for name in names]
        self._committed = group["committed"]
        self.count = 0

    def append(self, values: Sequence[Any]) -> int:
        for dataset, value in zip(self._datasets, values, strict=True):
            dataset.resize(self.count + 1, axis=0)
            dataset[self.count] = value
        # The entry is with the operating system before the counter that speaks for it is.
        self._file.flush()
        self.count += 1
        self._committed[...] = (self.count, -1 - self.count)
        self._committed.flush()
        return self.count


class _WellWriter:
    def __init__(self, file: h5py.File, index: int, layout: WellLayout, acquisition: Acquisition | None) -> None:
        self._group = file[well_group(index)]
        self._name = layout.well.name
        self._kind = layout.kind
        self._shape = block_shape(layout, acquisition)
        self._dtype = np.dtype(layout.dtype if layout.kind == "echo" else "f8")
        self._columns: tuple[str, ...] | None = None
        self._log: _Log | None = None
        self._last = -np.inf

    def append(self, push_time: float, block: ArrayLike, columns: dict[str, ArrayLike | None]) -> int:
        where = f"well {self._name}, push {0 if self._log is None else self._log.count}"
        _check_time(f"{where}: push_time", push_time, self._last)
        data = self._array(block, f"{where}: {self._kind}", self._dtype)
        given = {key: value for key, value in columns.items() if value is not None}
        for key in given:
            if key not in COLUMNS[self._kind]:
                allowed = ", ".join(COLUMNS[self._kind]) or "nothing"
                raise RecordingError(f"{where}: {key}", got="a value", allowed=f"{allowed} beside a {self._kind}")
        if self._columns is not None and tuple(given) != self._columns:
            raise RecordingError(
                f"{where}: columns",
                got=", ".join(given) or "none",
                allowed=f"those of push 0: {', '.join(self._columns) or 'none'}",
                do="Give a column at every push or at none.",
            )
        rows = [self._array(value, f"{where}: {key}", np.dtype("f8")) for key, value in given.items()]
        for key, row in zip(given, rows, strict=True):
            if key.endswith("_sd") and (row < 0).any():
                raise RecordingError(f"{where}: {key}", got=float(row.min()), allowed="no negative value")
        if self._log is None:
            self._columns = tuple(given)
            self._log = _Log(self._group, (self._kind, *self._columns, "push_time"))
        count = self._log.append((data, *rows, float(push_time)))
        self._last = float(push_time)
        return count

    def _array(self, value: ArrayLike, where: str, dtype: np.dtype[Any]) -> NDArray[Any]:
        array = np.asarray(value)
        if array.shape != self._shape:
            raise RecordingError(where, got=f"shape {array.shape}", allowed=f"shape {self._shape}", do="Reshape it.")
        # Python numbers and lists arrive as int64 or float64.
        if array.dtype.kind not in "iuf" or not np.can_cast(array.dtype, dtype, "same_kind"):
            raise RecordingError(where, got=str(array.dtype), allowed=str(dtype), do="Convert it first.")
        if array.dtype.kind == "f" and not np.isfinite(array).all():
            raise RecordingError(where, got="NaN or infinity", allowed="finite numbers", do="Leave the push out.")
        cast = array.astype(dtype, copy=False)
        if dtype.kind == "i" and array.dtype != dtype and not np.array_equal(cast, array):
            raise RecordingError(where, got=f"values beyond {dtype}", allowed=f"{dtype} values", do="Rescale them.")
        if dtype == np.float32 and not np.isfinite(cast).all():
            raise RecordingError(where, got="values beyond float32", allowed="float32 values", do="Rescale them.")
        return cast
