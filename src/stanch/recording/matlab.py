"""MATLAB files as a source: version 5 through SciPy, version 7.3 (which is HDF5) through h5py."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError
from stanch.recording.hdf5 import HDF5Source
from stanch.recording.source import Source, texts, unreadable

__all__ = ["MatlabSource", "open_matlab"]


def open_matlab(path: Path, where: str) -> Source:
    """Open a ``.mat`` file of either kind."""
    with path.open("rb") as stream:
        head = stream.read(520)
    if head.startswith((b"MATLAB 7.3", b"\x89HDF")) or head[512:516] == b"\x89HDF":
        # MATLAB shows axes first-fastest, HDF5 last-fastest: the same bytes with the axes named backwards.
        return HDF5Source(path, where, reverse=True)
    return MatlabSource(path, where)


class MatlabSource:
    """Variables of a version 5 (or 4) file; axes as MATLAB shows them."""

    table = False

    def __init__(self, path: Path, where: str) -> None:
        self.where = where
        self._path = path
        self._names = [name for name, _, _ in self._call("whosmat")]

    def _call(self, function: str, **options: Any) -> Any:
        import scipy.io

        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                return getattr(scipy.io, function)(self._path, **options)
        # The parser meets arbitrary bytes and fails in many ways; all of them mean the same to the reader.
        except Exception as error:
            raise unreadable(self.where, error, "MATLAB") from None

    def names(self) -> list[str]:
        """Names of the variables."""
        return self._names

    def array(self, name: str) -> NDArray[Any]:
        """One variable, a row or column as a vector; its unit is named in the map [-]."""
        loaded = self._call("loadmat", variable_names=[name])
        if name not in loaded:
            raise RecordingError(f"{self.where}: {name}", got="nothing", allowed=", ".join(self._names))
        value = loaded[name]
        if not isinstance(value, np.ndarray) or value.dtype.kind not in "iufcbUS":
            raise RecordingError(f"{self.where}: {name}", got=type(value).__name__, allowed="a numeric array")
        return vector(value)

    def text(self, name: str) -> list[str]:
        """One variable as text."""
        return texts(self.array(name))


def vector(array: NDArray[Any]) -> NDArray[Any]:
    """A row or column as a vector."""
    return array.reshape(-1) if array.ndim == 2 and 1 in array.shape else array
