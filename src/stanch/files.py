"""Files at the edge: outputs written beside and renamed, and the cache folder."""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stanch.errors import OutputExistsError, UsageError

__all__ = ["cache_folder", "check_output", "replacing"]


def check_output(path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Refuse an output that is already there or that has no folder to stand in.

    Parameters
    ----------
    path : path-like
        The output.
    overwrite : bool
        Whether an existing file may be replaced.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    OutputExistsError
        If the file exists and `overwrite` is false.
    UsageError
        If its folder does not exist or it is a folder itself.
    """
    target = Path(path)
    if target.is_dir():
        raise UsageError(f"output {target}", got="a folder", allowed="a file name", do="Name a file in it.")
    if not target.parent.is_dir():
        raise UsageError(
            f"output {target}",
            got=f"no folder {target.parent}",
            allowed="an existing folder",
            do="Make the folder first.",
        )
    if target.exists() and not overwrite:
        raise OutputExistsError(
            f"output {target}", got="an existing file", allowed="a new file name", do="Add --overwrite to replace it."
        )
    return target


@contextmanager
def replacing(path: str | os.PathLike[str], *, overwrite: bool = False) -> Iterator[Path]:
    """Write a file beside its place and rename it when all is well; on any failure nothing is left behind.

    Parameters
    ----------
    path : path-like
        Where the file is wanted.
    overwrite : bool
        Whether an existing file may be replaced.

    Yields
    ------
    pathlib.Path
        The temporary name to write to.
    """
    target = check_output(path, overwrite=overwrite)
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        yield beside
        os.replace(beside, target)
    finally:
        with suppress(OSError):
            beside.unlink()


def cache_folder() -> Path:
    """Where derived data may be kept: ``STANCH_CACHE``, or the platform's cache folder.

    Returns
    -------
    pathlib.Path
        The folder; it may not exist, and it may not be writable: a cache that cannot be kept is no error.
    """
    named = os.environ.get("STANCH_CACHE")
    if named:
        return Path(named)
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "stanch"
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", str(Path.home()))) / "stanch" / "Cache"
    base = os.environ.get("XDG_CACHE_HOME")
    if base:
        return Path(base) / "stanch"
    try:
        return Path.home() / ".cache" / "stanch"
    except RuntimeError:  # no home at all
        return Path(os.environ.get("TMPDIR", "/tmp")) / f"stanch-cache-{os.getuid()}"
