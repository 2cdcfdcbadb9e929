"""Where compiled kernels are kept between processes when the package's own folder cannot be written."""

from __future__ import annotations

import os
from pathlib import Path

from stanch.files import cache_folder

__all__ = ["prepare"]

VARIABLE = "NUMBA_CACHE_DIR"


def prepare(package: Path | None = None) -> str | None:
    """Name a folder for numba's cache where numba would find none and refuse to compile.

    numba keeps compiled kernels beside their source, else under the home folder, and raises where neither can be
    written. To be called before numba is imported.

    Parameters
    ----------
    package : pathlib.Path, optional
        Folder of the sources; this package's by default.

    Returns
    -------
    str or None
        The folder named, or None where numba's own rule or the user's ``NUMBA_CACHE_DIR`` serves.
    """
    if os.environ.get(VARIABLE) or os.access(package or Path(__file__).parent, os.W_OK):
        return None
    folder = _kept() or _passing()
    os.environ[VARIABLE] = folder
    return folder


def _kept() -> str | None:
    folder = cache_folder() / "kernels"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # Compiled code is loaded from here: another user's folder would run another user's code.
        owned = not hasattr(os, "getuid") or folder.stat().st_uid == os.getuid()
    except OSError:
        return None
    return str(folder) if owned and os.access(folder, os.W_OK) else None


def _passing() -> str:
    import atexit
    import shutil
    import tempfile

    folder = tempfile.mkdtemp(prefix="stanch-kernels-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
