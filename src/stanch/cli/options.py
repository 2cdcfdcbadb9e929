"""Options that several commands share, defined once, and the plumbing of streams and progress."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from stanch.errors import InputError, UsageError

__all__ = ["assay_option", "overwrite_option", "progress", "read_text", "seed_option", "staged_input", "stream_path"]

F = TypeVar("F", bound=Callable[..., Any])

overwrite_option = click.option("--overwrite", is_flag=True, help="Replace outputs that are already there.")
seed_option = click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), default=0, show_default=True, help="Of every random draw."
)
assay_option = click.option(
    "--assay",
    "assay_path",
    metavar="FILE",
    help="Assay document to read the curves by; overrides the one in the recording. - is stdin.",
)


def stream_path(name: str) -> bool:
    """Whether a name means the standard stream."""
    return name == "-"


def read_text(name: str, what: str) -> str:
    """A text document from a file or, for ``-``, from stdin.

    Parameters
    ----------
    name : str
        File name or ``-``.
    what : str
        What it is, for messages.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If it cannot be read or is not UTF-8 text.
    """
    if stream_path(name):
        data = sys.stdin.buffer.read()
    else:
        path = Path(name)
        if not path.exists():
            raise InputError(f"{what} {name}", got="no such file", allowed="an existing file", do="Check the path.")
        if path.is_dir():
            raise InputError(f"{what} {name}", got="a folder", allowed="a file", do="Name the file in it.")
        data = path.read_bytes()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{what} {name}",
            got=f"bytes that are not UTF-8 at {error.start}",
            allowed="UTF-8 text",
            do="Save it as UTF-8.",
        ) from None


@contextmanager
def staged_input(name: str, suffix: str) -> Iterator[Path]:
    """A path for an input; ``-`` is copied from stdin to a temporary file first.

    Parameters
    ----------
    name : str
        File name or ``-``.
    suffix : str
        Of the temporary file.

    Yields
    ------
    pathlib.Path
    """
    if not stream_path(name):
        yield Path(name)
        return
    with tempfile.TemporaryDirectory(prefix="stanch-") as folder:
        staged = Path(folder) / f"stdin{suffix}"
        with staged.open("wb") as sink:
            while chunk := sys.stdin.buffer.read(1 << 20):
                sink.write(chunk)
        if staged.stat().st_size == 0:
            raise UsageError("stdin", got="nothing", allowed="the content of a file", do="Pipe it in or name the file.")
        yield staged


@contextmanager
def progress(label: str) -> Iterator[Callable[[float], None]]:
    """A progress bar on stderr, shown only on a terminal and only once it is worth it.

    Parameters
    ----------
    label : str
        What is going on.

    Yields
    ------
    callable
        Takes the fraction done [-].
    """
    if not sys.stderr.isatty():
        yield lambda _fraction: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda fraction: bar.update(task, completed=fraction)
