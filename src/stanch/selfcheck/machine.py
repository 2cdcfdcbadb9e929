"""What runs where: versions, the files of the installation, the machine."""

from __future__ import annotations

import base64
import hashlib
import os
import platform
import sys
from collections.abc import Iterator
from importlib import metadata
from importlib.resources import files
from pathlib import Path

from stanch.selfcheck.records import Check
from stanch.version import __version__

__all__ = ["LIBRARIES", "facts", "installed_files", "versions"]

LIBRARIES = (
    "click",
    "h5py",
    "jinja2",
    "matplotlib",
    "numba",
    "numpy",
    "pydantic",
    "rich",
    "scipy",
    "threadpoolctl",
    "zlib-ng",
    "pandas",
    "pyarrow",
    "python-calamine",
    "xarray",
)
"""What numbers and reports rest on, as pyproject.toml names it: a program run from its folder has no list itself."""


def versions() -> tuple[tuple[str, str], ...]:
    """Stanch, Python and every run-time dependency with its version.

    Returns
    -------
    tuple of (str, str)
    """
    found = [("stanch", __version__), ("Python", f"{platform.python_version()} ({platform.python_implementation()})")]
    for name in LIBRARIES:
        try:
            found.append((name, metadata.version(name)))
        except metadata.PackageNotFoundError:
            found.append((name, "not installed"))
    return tuple(found)


def facts() -> tuple[tuple[str, str], ...]:
    """The machine and the installation, in words.

    Returns
    -------
    tuple of (str, str)
    """
    package = Path(str(files("stanch")))
    return (
        ("operating system", platform.platform()),
        ("processor", f"{platform.machine()}, {os.cpu_count()} logical processors"),
        ("memory", _memory()),
        ("interpreter", sys.executable),
        ("package folder", str(package)),
        ("SHA-256 of the program's source files", _digest(package)),
    )


def _memory() -> str:
    try:
        size = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):
        return "unknown"
    return f"{size / 2**30:.1f} GiB"


def _digest(package: Path) -> str:
    """One hash over every source file, so that two machines can be told to run the same program."""
    whole = hashlib.sha256()
    for path in sorted(package.rglob("*")):
        if path.is_file() and path.suffix in {".py", ".toml", ".json", ".j2", ".css"}:
            whole.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return whole.hexdigest()


def installed_files() -> Iterator[Check]:
    """Every installed file against the hash that its wheel recorded.

    Yields
    ------
    Check
        None at all for an installation that works from a checkout: it has no such record.
    """
    try:
        record = metadata.files("stanch") or []
    except metadata.PackageNotFoundError:
        return
    listed = [one for one in record if one.hash is not None and one.parts[0] == "stanch"]
    if not listed:
        return
    changed = 0
    for one in listed:
        path = Path(str(one.locate()))
        assert one.hash is not None
        digest = hashlib.new(one.hash.mode, path.read_bytes()).digest() if path.is_file() else b""
        changed += base64.urlsafe_b64encode(digest).rstrip(b"=").decode() != one.hash.value
    yield Check(
        "installation", f"files of {len(listed)} that differ from the wheel's record", "this run", 0, changed, 0
    )
