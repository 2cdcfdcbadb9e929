"""Reading pushes from their chunks, checksum verified.

Each push is one chunk that went through shuffle, deflate and a Fletcher checksum. Undoing these here, instead of in
HDF5, lets several threads work (``zlib`` releases the interpreter lock, HDF5 has one lock for all) and lets a fault
name the push. Any other layout, as a repacked file may have, is read through HDF5.
"""

from __future__ import annotations

import os
import time
from functools import lru_cache
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray
from zlib_ng import zlib_ng

from stanch.errors import IntegrityError

__all__ = ["fletcher32", "read_rows", "unshuffle"]

_DEFLATE, _SHUFFLE, _FLETCHER = h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32
_StreamError: Any = zlib_ng.error
_DO = "Run recover to save what is undamaged."
MAX_PUSH_BYTES = 1 << 28
_FRESH = 30.0
"""A file changed no longer ago than this [s] may have a writer at work."""


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
        words = np.append(words, np.uint64(data[-1] << 8))
    first = second = 0
    # Products of a block stay below 2^32 and their sum below 2^48: exact, and no library starts threads for it.
    for at in range(0, len(words), _BLOCK):
        part = words[at : at + _BLOCK]
        second += int((part * _weights(len(part))).sum()) + len(part) * first
        first += int(part.sum())
    return (_fold(second) << 16) | _fold(first)


_BLOCK = 1 << 16


@lru_cache(maxsize=8)
def _weights(count: int) -> NDArray[np.uint64]:
    return np.arange(count, 0, -1, dtype=np.uint64)


def _fold(total: int) -> int:
    return 0 if total == 0 else (total % 65535 or 65535)


def unshuffle(data: bytes | memoryview, out: NDArray[np.uint8], itemsize: int) -> None:
    """Undo HDF5's shuffle filter: byte k of every element lies together in the input.

    Parameters
    ----------
    data : bytes
        As stored.
    out : ndarray of uint8, shape (byte,)
        Filled; as long as `data`, a multiple of `itemsize`.
    itemsize : int
        Bytes of one element.
    """
    planes = np.frombuffer(data, dtype=np.uint8).reshape(itemsize, -1)
    if itemsize == 2:
        # Arithmetic on whole vectors is faster than writing every second byte.
        words = out.view("<u2")
        np.multiply(planes[1], 256, out=words, dtype=np.uint16)
        np.add(words, planes[0], out=words)
        return
    elements = out.reshape(-1, itemsize)
    for k in range(itemsize):
        elements[:, k] = planes[k]


def _filters(dataset: h5py.Dataset) -> list[int] | None:
    """Filters of a dataset with one chunk per entry, or None when it must be read through HDF5."""
    if dataset.chunks != (1, *dataset.shape[1:]) or dataset.dtype.kind not in "iufS":
        return None
    plist = dataset.id.get_create_plist()
    codes = [plist.get_filter(i)[0] for i in range(plist.get_nfilters())]
    return codes if all(code in (_DEFLATE, _SHUFFLE, _FLETCHER) for code in codes) else None


def decode(raw: bytes, codes: list[int], out: NDArray[np.uint8], itemsize: int, compiled: bool = False) -> None:
    """Undo the filters of one chunk.

    Parameters
    ----------
    raw : bytes
        As stored.
    codes : list of int
        Filters in the order in which they were applied.
    out : ndarray of uint8, shape (byte,)
        Filled with the bytes of the chunk.
    itemsize : int
        Bytes of one element.
    compiled : bool
        Whether the byte loops may be the compiled ones, which cost an import.

    Raises
    ------
    ValueError
        If the checksum, the stream or the size is wrong.
    """
    data = memoryview(raw)
    for place, code in reversed(list(enumerate(codes))):
        if code == _FLETCHER:
            if len(data) < 4 or _checksum(data[:-4], compiled) != int.from_bytes(data[-4:], "little"):
                raise ValueError("wrong checksum")
            data = data[:-4]
        elif code == _DEFLATE:
            stream = zlib_ng.decompressobj()
            data = memoryview(stream.decompress(data, out.size + 64))
            if not stream.eof:
                raise ValueError("broken compression")
        elif itemsize > 1 and out.size > itemsize:
            _check_size(data, out)
            part = out if place == 0 else np.empty_like(out)
            _unshuffle(data, part, itemsize, compiled)
            if place == 0:
                return
            data = part.data
    _check_size(data, out)
    out[...] = np.frombuffer(data, dtype=np.uint8)


def _checksum(data: memoryview, compiled: bool) -> int:
    if not compiled:
        return fletcher32(data)
    from stanch.recording import chunk_kernel

    return int(chunk_kernel.fletcher32(np.frombuffer(data, dtype=np.uint8)))


def _unshuffle(data: memoryview, out: NDArray[np.uint8], itemsize: int, compiled: bool) -> None:
    if not compiled or itemsize != 2:
        unshuffle(data, out, itemsize)
        return
    from stanch.recording import chunk_kernel

    chunk_kernel.unshuffle2(np.frombuffer(data, dtype=np.uint8), out.view(np.uint16))


def _check_size(data: memoryview, out: NDArray[np.uint8]) -> None:
    if len(data) != out.size:
        raise ValueError(f"{len(data)} bytes instead of {out.size}")


def read_rows(dataset: h5py.Dataset, start: int, stop: int, where: str, compiled: bool = False) -> NDArray[Any]:
    """Entries start..stop-1 of a growing dataset.

    Parameters
    ----------
    dataset : h5py.Dataset, shape (entry, ...)
    start, stop : int
        Within the dataset.
    where : str
        The dataset's name, for the message.
    compiled : bool
        As in :func:`decode`.

    Returns
    -------
    ndarray
        In native byte order, as stored [-].

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
    rows = np.empty(shape, dtype=dataset.dtype)
    flat = rows.reshape(len(rows), -1).view(np.uint8)
    rest, itemsize = (0,) * (dataset.ndim - 1), rows.dtype.itemsize
    for i in range(start, stored):
        _read_chunk(dataset, (i, *rest), codes, flat[i - start], itemsize, where, compiled)
    if stored < stop:
        raise IntegrityError(f"{where} {stored}", got="nothing", allowed="the committed entry", do=_DO)
    return rows.astype(dataset.dtype.newbyteorder("="), copy=False)


def _stored_chunk(dataset: h5py.Dataset, place: tuple[int, ...]) -> tuple[int, bytes]:
    """A chunk as stored; a writer at work may be caught half-way through the index, so a fresh file is asked again."""
    for pause in (0.002, 0.01, 0.05):
        try:
            mask, raw = dataset.id.read_direct_chunk(place)
            return int(mask), raw
        except (OSError, RuntimeError, ValueError, KeyError):
            if not _growing(dataset.file):
                raise
            time.sleep(pause)
            dataset.refresh()
    mask, raw = dataset.id.read_direct_chunk(place)
    return int(mask), raw


def _growing(file: h5py.File) -> bool:
    try:
        return bool(file.swmr_mode) and time.time() - os.stat(file.filename).st_mtime < _FRESH
    except OSError:
        return False


def _read_chunk(
    dataset: h5py.Dataset,
    place: tuple[int, ...],
    codes: list[int],
    out: NDArray[np.uint8],
    itemsize: int,
    where: str,
    compiled: bool,
) -> None:
    try:
        mask, raw = _stored_chunk(dataset, place)
    except (OSError, RuntimeError, ValueError, KeyError) as error:
        raise IntegrityError(f"{where} {place[0]}", got=_reason(error), allowed="a stored chunk", do=_DO) from None
    used = [code for i, code in enumerate(codes) if not mask >> i & 1] if mask else codes
    try:
        decode(raw, used, out, itemsize, compiled)
    except (ValueError, _StreamError) as error:
        raise IntegrityError(f"{where} {place[0]}", got=str(error), allowed="data as written", do=_DO) from None


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
