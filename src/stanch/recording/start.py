"""Starting a recording: the file with every dataset it will ever have."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from stanch.files import check_output, publish, sibling
from stanch.recording.checks import check_wells
from stanch.recording.layout import (
    COLUMNS,
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
from stanch.recording.records import Acquisition, Geometry, SampleFacts
from stanch.recording.times import utc_text
from stanch.recording.writer import Writer
from stanch.version import __version__

__all__ = ["create"]

_UNITS = {
    "echo": "1",
    "displacement": "m",
    "displacement_sd": "m",
    "modulus": "Pa",
    "modulus_sd": "Pa",
    "loss_modulus": "Pa",
    "viscosity": "Pa·s",
}


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
    check_output(target, overwrite=overwrite)
    check_wells(wells, acquisition)
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
