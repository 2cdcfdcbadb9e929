"""A folder of spectral tables that have been built before.

A folder that cannot be used, or a
stored table that is damaged, is never an error: the table is built again.
"""

from __future__ import annotations

import logging
import os
import struct
import tempfile
import zipfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stanch.files import cache_folder

__all__ = ["load_arrays", "store_arrays"]

log = logging.getLogger(__name__)

_UNREADABLE = (
    OSError,
    ValueError,
    KeyError,
    TypeError,
    EOFError,
    zipfile.BadZipFile,
    NotImplementedError,
    struct.error,
)


def load_arrays(name: str, shapes: dict[str, tuple[int, ...]]) -> dict[str, NDArray[np.float64]] | None:
    """Stored arrays, or None when absent or not as expected.

    Parameters
    ----------
    name : str
        File name without suffix.
    shapes : dict
        Expected arrays and shapes; -1 stands for any length.
    """
    path = cache_folder() / f"{name}.npz"
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as stored:
            arrays = {key: np.asarray(stored[key], dtype=np.float64) for key in shapes}
    except FileNotFoundError:
        return None
    except _UNREADABLE as error:
        log.info("stored table %s cannot be read (%s); building it again", path, error)
        return None
    for key, shape in shapes.items():
        got = arrays[key].shape
        fits = len(got) == len(shape) and all(want in (-1, have) for want, have in zip(shape, got, strict=True))
        if not fits or not np.isfinite(arrays[key]).all():
            log.info("stored table %s is damaged (%s); building it again", path, key)
            return None
    return arrays


def store_arrays(name: str, arrays: dict[str, NDArray[np.float64]]) -> bool:
    """Write arrays beside and rename; False where the folder cannot be written.

    Parameters
    ----------
    name : str
        File name without suffix.
    arrays : dict
        In SI units, as given [-].
    """
    folder = cache_folder()
    temporary: str | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{name}-", suffix=".npz", dir=folder)
        with os.fdopen(handle, "wb") as stream:
            np.savez(stream, allow_pickle=False, **arrays)
        os.replace(temporary, folder / f"{name}.npz")
    except OSError as error:
        log.info("cache folder %s cannot be written (%s)", folder, error)
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        return False
    return True
