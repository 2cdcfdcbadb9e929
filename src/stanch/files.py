"""Files at the edge: outputs written beside and renamed, and the cache folder."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stanch.errors import OutputExistsError, UsageError

__all__ = ["cache_folder", "check_output", "publish", "replacing", "sibling"]


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
        raise UsageError(f"output {target}", got="a directory", allowed="a file name", do="Name a file in it.")
    if not target.parent.is_dir():
        raise UsageError(
            f"output {target}",
            got="no such folder",
            allowed="an existing folder",
            do="Make the folder first.",
        )
    if target.exists() and not overwrite:
        raise _exists(target)
    return target


def sibling(target: Path) -> Path:
    """A new, empty file in the folder of `target`, with the rights a new file has.

    Raises
    ------
    UsageError
        If the folder cannot be written to.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=".part", dir=target.parent)
    except OSError as error:
        got = error.strerror or str(error)
        raise UsageError(f"output {target}", got=got, allowed="a folder that can be written to") from None
    os.close(handle)
    mask = os.umask(0o022)
    os.umask(mask)
    os.chmod(name, 0o666 & ~mask)
    return Path(name)


def publish(part: Path, target: Path, overwrite: bool) -> None:
    """Give a whole file its name; without `overwrite` a file that appeared meanwhile stays.

    Raises
    ------
    OutputExistsError
        If there is one.
    """
    if overwrite:
        os.replace(part, target)
        return
    try:
        os.link(part, target)
    except FileExistsError:
        raise _exists(target) from None
    except OSError:
        # Some file systems know no hard links.
        os.replace(part, target)
        return
    part.unlink()


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
    part = sibling(target)
    try:
        yield part
        publish(part, target, overwrite)
    finally:
        part.unlink(missing_ok=True)


def _exists(target: Path) -> OutputExistsError:
    return OutputExistsError(
        f"output {target}", got="an existing file", allowed="a new file name", do="Add --overwrite to replace it."
    )


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
