"""Reading pushes from their chunks, checksum verified.

Each push is one chunk that went through shuffle, deflate and a Fletcher checksum. Undoing these here, instead of in
HDF5, lets several threads work (``zlib`` releases the interpreter lock, HDF5 has one lock for all) and lets a fault
name the push. Any other layout, as a repacked file may have, is read through HDF5.
"""

from __future__ import annotations

import zlib
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from stanch.errors import IntegrityError

__all__ = ["fletcher32", "read_rows", "unshuffle"]

_DEFLATE, _SHUFFLE, _FLETCHER = h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32
_DO = "Run recover to save what is undamaged."
MAX_PUSH_BYTES = 1 << 28


def fletcher32(data: bytes | memoryview) -> int:
    """Checksum of HDF5's Fletcher filter over big-endian 16-bit words.

    Notes
    -----
    Two sums modulo 65535, in which a sum that is a multiple of 65535 but not zero is written 65535 (HDF5 file format,
    filter 3).

    Examples
    --------
    >>> hex(fletcher32(b"abcde"))
    '0x4ff029c7'
    """
    words = np.frombuffer(data, dtype=">u2", count=len(data) // 2).astype(np.uint64)
    if len(data) % 2:
        words = np.append(words, np.uint64(data[-1]) << np.uint64(8))
    first = _fold(int(words.sum()))
    second, size, step = 0, len(words), 1 << 20
    for at in range(0, size, step):
        part = words[at : at + step]
        weights = np.arange(size - at, size - at - len(part), -1, dtype=np.uint64)
        second += int((part * weights).sum())
    return (_fold(second) << 16) | first


def _fold(total: int) -> int:
    return 0 if total == 0 else (total % 65535 or 65535)


def unshuffle(data: bytes, itemsize: int) -> bytes:
    """Undo HDF5's shuffle filter: byte k of every element lies together in the input."""
    count = len(data) // itemsize
    if itemsize == 1 or count < 2:
        return data
    planes = np.frombuffer(data, dtype=np.uint8, count=count * itemsize).reshape(itemsize, count)
    return np.ascontiguousarray(planes.T).tobytes() + data[count * itemsize :]


def _filters(dataset: h5py.Dataset) -> list[int] | None:
    """Filters of a dataset with one chunk per entry, or None when it must be read through HDF5."""
    if dataset.chunks != (1, *dataset.shape[1:]) or dataset.dtype.kind not in "iufS":
        return None
    plist = dataset.id.get_create_plist()
    codes = [plist.get_filter(i)[0] for i in range(plist.get_nfilters())]
    return codes if all(code in (_DEFLATE, _SHUFFLE, _FLETCHER) for code in codes) else None


def decode(raw: bytes, codes: list[int], nbytes: int, itemsize: int) -> bytes:
    """Undo the filters of one chunk.

    Raises
    ------
    ValueError
        If the checksum, the stream or the size is wrong.
    """
    data = raw
    for code in reversed(codes):
        if code == _FLETCHER:
            if len(data) < 4 or fletcher32(memoryview(data)[:-4]) != int.from_bytes(data[-4:], "little"):
                raise ValueError("wrong checksum")
            data = data[:-4]
        elif code == _DEFLATE:
            stream = zlib.decompressobj()
            data = stream.decompress(data, nbytes + 64)
            if not stream.eof:
                raise ValueError("broken compression")
        else:
            data = unshuffle(data, itemsize)
    if len(data) != nbytes:
        raise ValueError(f"{len(data)} bytes instead of {nbytes}")
    return data


def read_rows(dataset: h5py.Dataset, start: int, stop: int, where: str) -> NDArray[Any]:
    """Entries start..stop-1 of a growing dataset.

    Parameters
    ----------
    dataset : h5py.Dataset, shape (entry, ...)
    start, stop : int
        Within the dataset.
    where : str
        The dataset's name, for the message.

    Returns
    -------
    ndarray
        In native byte order.

    Raises
    ------
    IntegrityError
        If an entry is damaged or missing; names it.
    """
    shape = (stop - start, *dataset.shape[1:])
    nbytes = int(np.prod(shape[1:], dtype=object)) * dataset.dtype.itemsize
    if nbytes > MAX_PUSH_BYTES:
        raise IntegrityError(where, got=f"{nbytes} bytes per push", allowed=f"up to {MAX_PUSH_BYTES}", do=_DO)
    if start == stop:
        return np.zeros(shape, dtype=dataset.dtype.newbyteorder("="))
    codes = _filters(dataset)
    if codes is None:
        return _read_plain(dataset, start, stop, where)
    stored = min(stop, dataset.shape[0])
    rows = [_read_chunk(dataset, i, codes, nbytes, where) for i in range(start, stored)]
    if stored < stop:
        raise IntegrityError(f"{where} {stored}", got="nothing", allowed="the committed entry", do=_DO)
    if len(rows) == 1:
        flat = np.frombuffer(bytearray(rows[0]), dtype=dataset.dtype)
    else:
        flat = np.frombuffer(bytearray().join(rows), dtype=dataset.dtype)
    return flat.reshape(shape).astype(dataset.dtype.newbyteorder("="), copy=False)


def _read_chunk(dataset: h5py.Dataset, index: int, codes: list[int], nbytes: int, where: str) -> bytes:
    try:
        mask, raw = dataset.id.read_direct_chunk((index, *(0 for _ in dataset.shape[1:])))
    except (OSError, RuntimeError, ValueError, KeyError) as error:
        raise IntegrityError(f"{where} {index}", got=_reason(error), allowed="a stored chunk", do=_DO) from None
    used = [code for i, code in enumerate(codes) if not mask >> i & 1]
    try:
        return decode(raw, used, nbytes, dataset.dtype.itemsize)
    except (ValueError, zlib.error) as error:
        raise IntegrityError(f"{where} {index}", got=str(error), allowed="data as written", do=_DO) from None


def _read_plain(dataset: h5py.Dataset, start: int, stop: int, where: str) -> NDArray[Any]:
    if dataset.shape[0] < stop:
        raise IntegrityError(f"{where} {dataset.shape[0]}", got="nothing", allowed="the committed entry", do=_DO)
    try:
        rows = dataset[start:stop]
    except (OSError, RuntimeError, ValueError, KeyError) as error:
        if stop - start > 1:
            for i in range(start, stop):
                _read_plain(dataset, i, i + 1, where)
        raise IntegrityError(f"{where} {start}", got=_reason(error), allowed="data as written", do=_DO) from None
    return np.asarray(rows).astype(dataset.dtype.newbyteorder("="), copy=False)


def _reason(error: Exception) -> str:
    text = str(error)
    return (
        "wrong checksum" if "filter" in text or "checksum" in text.lower() else text.split("(")[0].strip() or "a fault"
    )
