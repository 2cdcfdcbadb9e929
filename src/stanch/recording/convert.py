"""Foreign data to a recording, as a map document says."""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import DocumentError, InputError, RecordingError, UnitError
from stanch.files import replacing
from stanch.quantities import unit
from stanch.recording.layout import WellLayout
from stanch.recording.maps import MapDocument, WellMap, load_map, parse_map
from stanch.recording.source import Source, open_source
from stanch.recording.start import create

__all__ = ["convert"]

Floats = NDArray[np.float64]
_BRACKET = re.compile(r"^(.*\S)\s*\[([^\[\]]+)\]$")


def convert(
    source: str | os.PathLike[str],
    map: str | os.PathLike[str] | Mapping[str, Any],
    out: str | os.PathLike[str],
    overwrite: bool = False,
) -> Path:
    """Turn foreign data into a recording.

    Parameters
    ----------
    source : path
        An .npz, .npy, .mat, .h5, .hdf5, .csv, .tsv, .txt or .parquet file; it is not changed.
    map : path or mapping
        The map document.
    out : path
        The recording to write; on any failure nothing is left of it.
    overwrite : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    Path
        The recording.

    Raises
    ------
    DocumentError
        If the map is wrong, with every fault found.
    RecordingError
        If the source is wrong or does not fit the map.
    UnitError
        If an array has no unit or one of the wrong kind.
    """
    target = Path(out)
    document = parse_map(map) if isinstance(map, Mapping) else load_map(map)
    base = Path.cwd() if isinstance(map, Mapping) else Path(map).parent
    with replacing(target, overwrite=overwrite) as part:
        assay = _assay(document, base)
        opened = open_source(source)
        wells = [_read_well(opened, document, entry) for entry in document.wells]
        run = document.table.recording
        with create(
            part,
            sample=document.sample,
            wells=[well.layout for well in wells],
            acquisition=document.acquisition,
            geometry=document.geometry,
            assay_text=assay,
            instrument=run.instrument,
            operator=run.operator,
            started_at=run.started_at,
            overwrite=True,
        ) as writer:
            for well in wells:
                for i, time in enumerate(well.push_time):
                    columns = {key: values[i] for key, values in well.columns.items()}
                    writer.append(well.layout.well.name, float(time), well.signal[i], **columns)
            for note in run.notes:
                writer.note(note)
    return target


@dataclass(frozen=True)
class _WellData:
    layout: WellLayout
    push_time: Floats
    signal: NDArray[Any]
    columns: dict[str, Floats]


def _assay(document: MapDocument, base: Path) -> str | None:
    name = document.table.recording.assay
    if name is None:
        return None
    where = f"{document.where}: recording.assay"
    try:
        with (base / name).open("rb") as stream:
            return stream.read((4 << 20) + 1).decode()
    except UnicodeDecodeError:
        raise DocumentError(where, got=name, allowed="a text file in UTF-8", do="Name the assay document.") from None
    except (OSError, ValueError) as error:
        got = f"{name}: {getattr(error, 'strerror', None) or error}"
        raise DocumentError(where, got=got, allowed="a readable file", do="Name it relative to the map.") from None


def _read_well(source: Source, document: MapDocument, entry: WellMap) -> _WellData:
    reader = _Reader(source, entry, document)
    common = document.table.acquisition
    push_time = reader.times("push_time", entry.table.push_time or common.push_time)
    frame_time = None
    if entry.table.kind != "modulus" and (entry.table.frame_times or not common.frame_interval):
        frame_time = reader.times("frame_times", entry.table.frame_times or common.frame_times)
    if source.table and entry.table.kind == "displacement" and isinstance(entry.table.displacement, str):
        push_time, frame_time, signal, columns = _tidy(reader, push_time, frame_time)
    else:
        signal = reader.signal(push_time, frame_time)
        columns = reader.columns(signal.shape)
    if frame_time is None and entry.table.kind != "modulus":
        frame_time = _even_frames(document, entry, signal.shape[1])
    layout = WellLayout(
        entry.well,
        entry.table.kind,
        frame_time,
        geometry=entry.geometry,
        sample_count=signal.shape[2] if entry.table.kind == "echo" else None,
        dtype=str(signal.dtype) if entry.table.kind == "echo" else "int16",
        frequency=entry.table.frequency,
    )
    return _WellData(layout, push_time, signal, columns)


def _even_frames(document: MapDocument, entry: WellMap, count: int) -> Floats:
    """Frame times from an interval; the push takes the place of one frame, at time zero."""
    acquisition, interval = document.acquisition, document.table.acquisition.frame_interval
    if acquisition is None or interval is None:
        raise AssertionError("a valid map has both")
    before = acquisition.frames_before_push
    if count <= before:
        raise RecordingError(
            f"well {entry.well.name}: {entry.table.kind}",
            got=f"{count} frames",
            allowed=f"more than frames_before_push = {before}",
            do="Check frames_before_push and the order of axes.",
        )
    return np.concatenate([np.arange(-before, 0), np.arange(1, count - before + 1)]) * interval


class _Reader:
    """Arrays of one well, in SI units and canonical order."""

    def __init__(self, source: Source, entry: WellMap, document: MapDocument) -> None:
        self._source = source
        self._entry = entry
        self._document = document
        self._rows = self._select(entry.table.rows)

    def _where(self, key: str) -> str:
        return f"{self._document.where}: well {self._entry.well.name}: {key}"

    def _select(self, rows: dict[str, str] | None) -> NDArray[np.bool_] | None:
        if not rows:
            return None
        if not self._source.table:
            raise RecordingError(self._where("rows"), got=rows, allowed="rows only with a source of columns")
        keep: NDArray[np.bool_] | None = None
        for column, value in rows.items():
            name, _ = self._find(column, "rows")
            match = np.array([text == value for text in self._source.text(name)], dtype=np.bool_)
            keep = match if keep is None else keep & match
        if keep is None or not keep.any():
            raise RecordingError(self._where("rows"), got=rows, allowed="values that occur in those columns")
        return keep

    def _find(self, text: str, key: str) -> tuple[str, str | None]:
        """Name in the source, and unit, of what a map calls ``name`` or ``name [unit]``."""
        names = self._source.names()
        match = _BRACKET.match(text)
        if text in names:
            return text, match.group(2) if match else None
        if match and match.group(1) in names:
            return match.group(1), match.group(2)
        with_unit = [(name, found) for name in names if (found := _BRACKET.match(name)) and found.group(1) == text]
        if len(with_unit) == 1:
            return with_unit[0][0], with_unit[0][1].group(2)
        shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
        raise RecordingError(
            self._where(key), got=text, allowed=shown or "nothing: the source holds no array", do="Name an array."
        )

    def numbers(self, text: str, key: str, kind: str, default: str | None = None) -> Floats:
        """An array in SI units."""
        name, given = self._find(text, key)
        given = given or (None if self._source.table else default)
        if given is None:
            raise UnitError(
                self._where(key),
                got=text,
                allowed=f"a name with a unit of {kind}",
                do=f'Write it after the name: "{text} [...]".',
            )
        found = unit(given, self._where(key))
        if found.kind != kind:
            raise UnitError(
                self._where(key), got=f"{text} in {given}", allowed=f"a unit of {kind}", do="Correct the unit."
            )
        array = self._array(name, key)
        if array.dtype.kind not in "iuf":
            raise RecordingError(self._where(key), got=str(array.dtype), allowed="real numbers")
        with np.errstate(over="ignore"):
            return np.asarray(array, dtype=np.float64) * found.scale + found.offset

    def _array(self, name: str, key: str) -> NDArray[Any]:
        array = self._source.array(name)
        if array.dtype.kind not in "iufc" or array.size == 0:
            got = "an empty array" if array.size == 0 else str(array.dtype)
            raise RecordingError(self._where(key), got=got, allowed="numbers", do="Check the name.")
        return array if self._rows is None else array[self._rows]

    def times(self, key: str, given: str | list[float] | None) -> Floats:
        """Times from a list in the map or an array of the source [s]."""
        if given is None:
            raise AssertionError("a valid map has them")
        if isinstance(given, list):
            return np.asarray(given, dtype=np.float64)
        array = self.numbers(given, key, "time", default="s")
        if array.ndim == 2 and 1 in array.shape:
            array = array.reshape(-1)
        if array.ndim != 1:
            raise RecordingError(self._where(key), got=f"shape {array.shape}", allowed="one dimension")
        return array

    def signal(self, push_time: Floats, frame_time: Floats | None) -> NDArray[Any]:
        """Echo, displacement or modulus, pushes first."""
        kind, table = self._entry.table.kind, self._entry.table
        if kind == "echo":
            name, _ = self._find(str(table.echo), "echo")
            array = _echo_numbers(self._array(name, "echo"), self._where("echo"))
        elif kind == "displacement":
            array = self._stack("displacement")
        else:
            array = self.numbers(str(table.modulus), "modulus", "pressure")
        expected = {"push": len(push_time)}
        if frame_time is not None:
            expected["frame"] = len(frame_time)
        return self._ordered(array, kind, expected)

    def _stack(self, key: str) -> Floats:
        """An array, or columns side by side as pushes."""
        given = getattr(self._entry.table, key)
        if isinstance(given, str):
            return self.numbers(given, key, "length")
        rows = [self.numbers(name, key, "length") for name in given]
        if not rows or any(row.shape != rows[0].shape or row.ndim != 1 for row in rows):
            raise RecordingError(self._where(key), got=[r.shape for r in rows], allowed="vectors of one length")
        return np.stack(rows)

    def columns(self, shape: tuple[int, ...]) -> dict[str, Floats]:
        """What accompanies the signal, by the writer's argument."""
        table, found = self._entry.table, {}
        if table.displacement_sd is not None:
            expected = {"push": shape[0], "frame": shape[1]}
            found["sd"] = self._ordered(self._stack("displacement_sd"), "displacement", expected)
        for key, kind in (("viscosity", "viscosity"), ("loss_modulus", "pressure"), ("modulus_sd", "pressure")):
            given = getattr(table, key)
            if given is not None:
                found[key] = self._ordered(self.numbers(given, key, kind), key, {"push": shape[0]})
        return found

    def _ordered(self, array: NDArray[Any], key: str, expected: dict[str, int]) -> NDArray[Any]:
        axes = ["push", *(["frame"] if key in ("echo", "displacement") else []), *(["sample"] if key == "echo" else [])]
        acquisition = self._document.acquisition
        if key == "echo" and acquisition is not None and acquisition.echo_form == "iq":
            axes.append("quadrature")
            expected = {**expected, "quadrature": 2}
        array = _as_pairs(array, axes, self._where(key))
        order: list[str] = list(self._entry.table.axes or axes)
        if "quadrature" in axes and "quadrature" not in order:
            order.append("quadrature")
        if len(axes) == 1 and array.ndim == 2 and 1 in array.shape:
            array = array.reshape(-1)
        fits = array.ndim == len(axes) and sorted(order) == sorted(axes)
        if not fits or any(array.shape[order.index(axis)] != size for axis, size in expected.items()):
            raise self._wrong_order(array.shape, key, axes, order, expected)
        return array.transpose([order.index(axis) for axis in axes])

    def _wrong_order(
        self, shape: tuple[int, ...], key: str, axes: list[str], order: list[str], expected: dict[str, int]
    ) -> RecordingError:
        sizes = ", ".join(f"{size} along {axis}" for axis, size in expected.items())
        fitting = [
            list(trial)
            for trial in itertools.permutations(axes)
            if len(shape) == len(axes) and all(shape[trial.index(axis)] == n for axis, n in expected.items())
        ]
        do = "Check push_time and frame_times against the array."
        if fitting:
            written = ", ".join(f'"{axis}"' for axis in fitting[0])
            do = f"If the source is in another order, write axes = [{written}]."
        return RecordingError(
            self._where(key),
            got=f"shape {tuple(map(int, shape))} read as [{', '.join(order)}]",
            allowed=f"{len(axes)} axes [{', '.join(axes)}] with {sizes}",
            do=do,
        )


def _tidy(
    reader: _Reader, push_time: Floats, frame_time: Floats | None
) -> tuple[Floats, Floats, Floats, dict[str, Floats]]:
    """Displacements from a table with one row per frame, sorted into pushes by the times beside them."""
    where = reader._where("displacement")
    value = reader._stack("displacement")
    sd = reader._stack("displacement_sd") if reader._entry.table.displacement_sd is not None else None
    if frame_time is None or len(push_time) != len(value) or len(frame_time) != len(value):
        sizes = (
            f"{len(value)} rows, push_time {len(push_time)}, frame_times {0 if frame_time is None else len(frame_time)}"
        )
        raise RecordingError(
            where, got=sizes, allowed="push_time and frame_times as columns of the same table", do="Name the columns."
        )
    starts = np.flatnonzero(np.r_[True, np.diff(push_time) != 0])
    pushes = push_time[starts]
    frames = len(value) // len(starts)
    shape = (len(starts), frames)
    if frames * len(starts) != len(value) or (np.diff(starts) != frames).any():
        raise RecordingError(where, got="pushes of different length", allowed="the same number of rows in every push")
    if not np.array_equal(frame_time.reshape(shape), np.broadcast_to(frame_time[:frames], shape)):
        raise RecordingError(where, got="frame times that differ between pushes", allowed="the same in every push")
    columns = {} if sd is None else {"sd": sd.reshape(shape)}
    return pushes, frame_time[:frames], value.reshape(shape), columns


def _as_pairs(array: NDArray[Any], axes: list[str], where: str) -> NDArray[Any]:
    """Complex echoes as pairs on a last axis."""
    if array.dtype.kind != "c":
        return array
    if "quadrature" not in axes:
        raise InputError(
            where, got="complex numbers", allowed="real numbers", do='If they are IQ echoes, write echo_form = "iq".'
        )
    return np.stack([array.real, array.imag], axis=-1).astype(np.float32)


def _echo_numbers(array: NDArray[Any], where: str) -> NDArray[Any]:
    """Echoes in a number type a recording can hold, without changing a count."""
    kind, size = array.dtype.kind, array.dtype.itemsize
    if kind == "c":
        return array
    if kind == "f":
        with np.errstate(over="ignore"):
            return array.astype(np.float32, copy=False)
    if (kind, size) in (("i", 1), ("u", 1), ("i", 2)):
        return array.astype(np.int16, copy=False)
    limit = np.iinfo(np.int32)
    if array.size and (array.max() > limit.max or array.min() < limit.min):
        raise RecordingError(
            where, got=f"counts up to {array.max()}", allowed="counts that fit int32", do="Rescale them."
        )
    return array.astype(np.int32, copy=False)
