"""MATLAB files as a source: version 5 through SciPy, version 7.3 (which is HDF5) through h5py."""

from __future__ import annotations

import warnings
import zlib
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError
from stanch.recording.hdf5 import HDF5Source
from stanch.recording.source import Source, texts, unreadable

__all__ = ["MatlabSource", "check_elements", "open_matlab"]


def open_matlab(path: Path, where: str) -> Source:
    """Open a ``.mat`` file of either kind."""
    with path.open("rb") as stream:
        head = stream.read(520)
    if head.startswith((b"MATLAB 7.3", b"\x89HDF")) or head[512:516] == b"\x89HDF":
        # MATLAB shows axes first-fastest, HDF5 last-fastest: the same bytes with the axes named backwards.
        return HDF5Source(path, where, reverse=True)
    return MatlabSource(path, where)


_KNOWN = frozenset({1, 2, 3, 4, 5, 6, 7, 9, 12, 13, 14, 15, 16, 17, 18})
_MATRIX, _COMPRESSED = 14, 15
_DEEPEST = 16
_LARGEST = 1 << 33


def check_elements(data: bytes, where: str) -> None:
    """Refuse a version 5 file whose data elements have unknown types or do not fit into each other.

    Parameters
    ----------
    data : bytes
        The file; anything but version 5 is let pass.
    where : str
        The file, for the message.

    Raises
    ------
    RecordingError
        If an element is damaged.

    Notes
    -----
    The parser that reads the values trusts types and sizes, and ends the process on some that are wrong. Format as
    published by its maker: 128 bytes of header, then elements of type, size and bytes, padded to 8; a small element
    has its size in the upper half of the first word.
    """
    if len(data) < 136 or data[126:128] not in (b"IM", b"MI"):
        return
    order: Literal["little", "big"] = "little" if data[126:128] == b"IM" else "big"
    try:
        _walk(memoryview(data)[128:], order, 0)
    except (ValueError, zlib.error) as error:
        raise unreadable(where, error, "MATLAB") from None


def _walk(data: memoryview, order: Literal["little", "big"], depth: int) -> None:
    at = 0
    while at < len(data):
        if len(data) - at < 8:
            raise ValueError("bytes after the last element")
        word = int.from_bytes(data[at : at + 4], order)
        small = word >> 16
        kind, size = (word & 0xFFFF, small) if small else (word, int.from_bytes(data[at + 4 : at + 8], order))
        start = at + 4 if small else at + 8
        if kind not in _KNOWN:
            raise ValueError(f"an element of unknown type {kind}")
        if size > (4 if small else len(data) - start):
            raise ValueError(f"an element of {size} bytes where {len(data) - start} are left")
        body = data[start : start + size]
        if kind == _COMPRESSED:
            stream = zlib.decompressobj()
            inner = stream.decompress(body, _LARGEST)
            if not stream.eof:
                raise ValueError("broken compression")
            _walk(memoryview(inner), order, depth + 1)
        elif kind == _MATRIX:
            if depth > _DEEPEST:
                raise ValueError("elements nested too deeply")
            _walk(body, order, depth + 1)
        # Compressed elements are not padded.
        at = at + 8 if small else start + size + (0 if kind == _COMPRESSED else -size % 8)


class MatlabSource:
    """Variables of a version 5 (or 4) file; axes as MATLAB shows them."""

    table = False

    def __init__(self, path: Path, where: str) -> None:
        self.where = where
        self._path = path
        check_elements(path.read_bytes(), where)
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
