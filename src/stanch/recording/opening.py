"""Opening the HDF5 file of a recording, and turning what HDF5 says of a damaged one into our errors."""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py

from stanch.errors import IntegrityError, RecordingError, StanchError
from stanch.recording.layout import read_counter

__all__ = ["committed", "dataset_of", "group_of", "guard", "open_file"]

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_FAULTS = (OSError, RuntimeError, ValueError, KeyError, TypeError, AttributeError, UnicodeError)


def open_file(path: Path) -> h5py.File:
    """Open a file for reading, whether it is whole, being written or was left by a killed writer.

    Raises
    ------
    RecordingError
        If it cannot be a recording.
    IntegrityError
        If it is cut or damaged.
    """
    swmr = _inspect(path)
    try:
        return _open_written(path) if swmr else h5py.File(path, "r", locking="best-effort")
    except _FAULTS as error:
        raise IntegrityError(
            f"recording {path}", got=_reason(error), allowed="a whole HDF5 file", do="Fetch it again from its source."
        ) from None


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
def guard(where: str) -> Iterator[None]:
    """Turn what HDF5 says of a damaged file into our error."""
    try:
        yield
    except StanchError:
        raise
    except _FAULTS as error:
        raise IntegrityError(f"recording {where}", got=_reason(error), allowed="data as written") from None


def group_of(parent: h5py.Group, name: str, where: str) -> h5py.Group:
    """A group that must be there."""
    found = parent.get(name)
    if not isinstance(found, h5py.Group):
        raise RecordingError(f"{where}: group {name}", got="nothing", allowed="a group", do="The file was altered.")
    return found


def dataset_of(parent: h5py.Group, name: str, where: str) -> h5py.Dataset:
    """An array that must be there."""
    found = parent.get(name)
    if not isinstance(found, h5py.Dataset) or found.shape is None or found.dtype.kind not in "iufS":
        raise RecordingError(
            f"{where}: {name}", got="nothing", allowed="an array of numbers", do="The file was altered."
        )
    return found


def committed(group: h5py.Group, name: str, where: str) -> int:
    """A commit counter, as it is in the file now."""
    dataset = dataset_of(group, name, where)
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
