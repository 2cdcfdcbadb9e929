"""The two byte loops of reading chunks, compiled; :mod:`stanch.recording.chunks` holds the equal plain versions."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["fletcher32", "unshuffle2"]


@njit(cache=True, nogil=True)
def fletcher32(data: NDArray[np.uint8]) -> np.uint64:
    """Checksum of HDF5's Fletcher filter; see :func:`stanch.recording.chunks.fletcher32`."""
    first = np.uint64(0)
    second = np.uint64(0)
    words = data.size // 2
    at = 0
    while at < words:
        # 4096 words keep both sums far below 2^64, so the folding is outside the inner loop.
        stop = min(words, at + 4096)
        while at < stop:
            first += (np.uint64(data[2 * at]) << np.uint64(8)) | np.uint64(data[2 * at + 1])
            second += first
            at += 1
        first = (first & np.uint64(0xFFFF)) + (first >> np.uint64(16))
        second = (second & np.uint64(0xFFFF)) + (second >> np.uint64(16))
    if data.size % 2:
        first += np.uint64(data[data.size - 1]) << np.uint64(8)
        second += first
    while first > np.uint64(0xFFFF):
        first = (first & np.uint64(0xFFFF)) + (first >> np.uint64(16))
    while second > np.uint64(0xFFFF):
        second = (second & np.uint64(0xFFFF)) + (second >> np.uint64(16))
    return (second << np.uint64(16)) | first


@njit(cache=True, nogil=True)
def unshuffle2(data: NDArray[np.uint8], out: NDArray[np.uint16]) -> None:
    """Undo the shuffle of two-byte elements, little-endian; see :func:`stanch.recording.chunks.unshuffle`."""
    count = out.size
    for i in range(count):
        out[i] = np.uint16(data[i]) | (np.uint16(data[count + i]) << np.uint16(8))
