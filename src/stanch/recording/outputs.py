"""Outputs are written beside their name and renamed when whole, so that a failure leaves nothing behind."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stanch.errors import OutputExistsError, UsageError

__all__ = ["beside", "check_target", "publish", "sibling"]


def check_target(target: Path, overwrite: bool) -> None:
    """Refuse a name that cannot be written.

    Raises
    ------
    OutputExistsError
        If the file exists and `overwrite` is not set.
    UsageError
        If it is a directory or its folder does not exist.
    """
    if target.is_dir():
        raise UsageError(f"output {target}", got="a directory", allowed="a file name", do="Name a file.")
    if not target.parent.is_dir():
        raise UsageError(
            f"output {target}", got="no such folder", allowed="a file in a folder that exists", do="Create the folder."
        )
    if target.exists() and not overwrite:
        raise _exists(target)


def sibling(target: Path) -> Path:
    """A new, empty file in the folder of `target`, with the rights a new file has."""
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
def beside(target: Path, overwrite: bool) -> Iterator[Path]:
    """A file to write instead of `target`; takes its name when the block ends without an error, else vanishes."""
    check_target(target, overwrite)
    part = sibling(target)
    try:
        yield part
        publish(part, target, overwrite)
    finally:
        part.unlink(missing_ok=True)


def _exists(target: Path) -> OutputExistsError:
    return OutputExistsError(f"output {target}", got="an existing file", do="Choose another name, or overwrite it.")
