"""Foreign files as named arrays; one module per form."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError

__all__ = ["FORMS", "Source", "open_source", "unreadable"]

FORMS = (".npz", ".npy", ".mat", ".h5", ".hdf5", ".csv", ".tsv", ".txt", ".parquet")
"""Endings that are understood."""


class Source(Protocol):
    """A foreign file.

    Attributes
    ----------
    where : str
        Its name, for messages.
    table : bool
        Whether it has columns, which share their rows, rather than arrays.
    """

    where: str
    table: bool

    def names(self) -> list[str]:
        """Names of the arrays or columns."""

    def array(self, name: str) -> NDArray[Any]:
        """One array, axes in the order the writing program shows them; its unit is named in the map [-]."""

    def text(self, name: str) -> list[str]:
        """One column as text."""


def open_source(path: str | os.PathLike[str]) -> Source:
    """Open a foreign file by its ending.

    Raises
    ------
    RecordingError
        If the form is unknown or the file cannot be read.
    """
    file = Path(path)
    where = f"source {file}"
    if file.is_dir():
        raise RecordingError(where, got="a directory", allowed="a file", do="Name a file.")
    try:
        size = file.stat().st_size
    except (OSError, ValueError) as error:
        got = getattr(error, "strerror", None) or str(error)
        raise RecordingError(where, got=got, allowed="a readable file", do="Check the name.") from None
    if size == 0:
        raise RecordingError(where, got="an empty file", allowed="data", do="Fetch the file again.")
    ending = file.suffix.lower()
    if ending in (".npz", ".npy"):
        from stanch.recording.arrays import ArraySource

        return ArraySource(file, where)
    if ending == ".mat":
        from stanch.recording.matlab import open_matlab

        return open_matlab(file, where)
    if ending in (".h5", ".hdf5"):
        from stanch.recording.hdf5 import HDF5Source

        return HDF5Source(file, where)
    if ending in (".csv", ".tsv", ".txt"):
        from stanch.recording.delimited import DelimitedSource

        return DelimitedSource(file, where)
    if ending == ".parquet":
        from stanch.recording.parquet import ParquetSource

        return ParquetSource(file, where)
    raise RecordingError(
        where, got=f"the ending {ending or 'none'}", allowed=", ".join(FORMS), do="Rename or export it."
    )


def unreadable(where: str, error: BaseException, form: str) -> RecordingError:
    """What a library's complaint about a foreign file becomes."""
    if isinstance(error, MemoryError):
        got = "arrays larger than the memory"
    else:
        got = f"{type(error).__name__}: {' '.join(str(error).split())[:120]}"
    return RecordingError(where, got=got, allowed=f"a whole {form} file", do="Write it again from its program.")


def texts(array: NDArray[Any]) -> list[str]:
    """An array as a list of text, for a source without text columns of its own."""
    flat = np.asarray(array).reshape(-1)
    return [v.decode(errors="replace") if isinstance(v, bytes) else str(v) for v in flat.tolist()]
