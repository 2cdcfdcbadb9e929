"""Writing a recording, one push at a time.

A push is acknowledged only after its data and then its commit counter have been handed to the operating system, so a
killed process loses at most the push in flight. Chunks that hold committed data are never written again.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import h5py
import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import RecordingError, UsageError
from stanch.recording.layout import COLUMNS, NOTE_BYTES, WellLayout, block_shape, clean_text, well_group
from stanch.recording.records import Acquisition
from stanch.recording.times import utc_text

__all__ = ["Writer"]


class Writer:
    """A recording being written; from :func:`stanch.recording.container.create`.

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
            Beside a modulus [Pa·s], [Pa], [Pa].

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
