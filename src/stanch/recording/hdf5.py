"""HDF5 files as a source; arrays are named by their path, such as ``run/echo``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError
from stanch.recording.source import texts, unreadable

__all__ = ["HDF5Source"]

_FAULTS = (OSError, RuntimeError, ValueError, KeyError, TypeError, MemoryError, AttributeError, UnicodeError)


class HDF5Source:
    """Datasets of an HDF5 file.

    Parameters
    ----------
    path : Path
    where : str
        Its name, for messages.
    reverse : bool
        Whether the program that wrote it names the axes the other way round, as MATLAB does.
    """

    table = False

    def __init__(self, path: Path, where: str, reverse: bool = False) -> None:
        self.where = where
        self._path = path
        self._reverse = reverse
        found: list[str] = []

        def visit(name: str, item: object) -> None:
            if isinstance(item, h5py.Dataset):
                found.append(name)

        try:
            with h5py.File(path, "r", locking="best-effort") as file:
                file.visititems(visit)
        except _FAULTS as error:
            raise unreadable(where, error, "HDF5") from None
        self._names = found

    def names(self) -> list[str]:
        """Paths of the datasets."""
        return self._names

    def array(self, name: str) -> NDArray[Any]:
        """One dataset, as stored: its unit is named in the map [-]."""
        try:
            with h5py.File(self._path, "r", locking="best-effort") as file:
                dataset = file[name]
                if dataset.is_virtual or dataset.external:
                    raise RecordingError(
                        f"{self.where}: {name}",
                        got="data in another file",
                        allowed="data in this file",
                        do="Copy them into one file.",
                    )
                array = _numbers(np.asarray(dataset[()]))
        except _FAULTS as error:
            raise unreadable(f"{self.where}: {name}", error, "HDF5") from None
        if not self._reverse:
            return array
        turned = array.T
        return turned.reshape(-1) if turned.ndim == 2 and 1 in turned.shape else turned

    def text(self, name: str) -> list[str]:
        """One dataset as text."""
        return texts(self.array(name))


def _numbers(array: NDArray[Any]) -> NDArray[Any]:
    """Complex numbers that MATLAB stores as pairs become complex."""
    if array.dtype.names == ("real", "imag"):
        return np.asarray(array["real"] + 1j * array["imag"])
    return array
