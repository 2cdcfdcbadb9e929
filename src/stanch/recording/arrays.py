"""NumPy files as a source: ``.npz`` with named arrays, ``.npy`` with one, named ``array``."""

from __future__ import annotations

import tokenize
import zipfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError
from stanch.recording.source import texts, unreadable

__all__ = ["ArraySource"]

_FAULTS = (
    *(OSError, ValueError, KeyError, EOFError, TypeError, MemoryError, SyntaxError, RecursionError, OverflowError),
    *(zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, NotImplementedError, RuntimeError, tokenize.TokenError),
)


class ArraySource:
    """Arrays of a ``.npz`` or ``.npy`` file; pickled objects are refused."""

    table = False

    def __init__(self, path: Path, where: str) -> None:
        self.where = where
        self._path = path
        self._names = self._list()

    def _list(self) -> list[str]:
        if self._path.suffix.lower() == ".npy":
            return ["array"]
        try:
            with zipfile.ZipFile(self._path) as archive:
                return [n.removesuffix(".npy") for n in archive.namelist()]
        except _FAULTS as error:
            raise unreadable(self.where, error, "NPZ") from None

    def names(self) -> list[str]:
        """Names of the arrays."""
        return self._names

    def array(self, name: str) -> NDArray[Any]:
        """One array, as stored: its unit is named in the map [-]."""
        try:
            loaded = np.load(self._path, allow_pickle=False)
            if isinstance(loaded, np.ndarray):
                return loaded
            with loaded:
                array = loaded[name]
        except _FAULTS as error:
            if "allow_pickle" in str(error) or "pickle" in str(error).lower():
                raise RecordingError(
                    f"{self.where}: {name}",
                    got="pickled objects, which can run code",
                    allowed="arrays of numbers",
                    do="Save the array with a numeric dtype.",
                ) from None
            raise unreadable(f"{self.where}: {name}", error, "NumPy") from None
        if not isinstance(array, np.ndarray):
            raise RecordingError(f"{self.where}: {name}", got="no NumPy array", allowed="an array of numbers")
        return array

    def text(self, name: str) -> list[str]:
        """One array as text."""
        return texts(self.array(name))
