"""The outputs of an analysis, checked before the work and written all or none."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stanch.errors import UsageError
from stanch.files import check_output, replacing

if TYPE_CHECKING:
    from stanch.pipeline import Result

__all__ = ["Outputs", "check_files", "write_files"]

TABLE_NAMES = ("pushes.csv", "curve.csv", "readings.csv", "contrasts.csv")


def check_files(paths: Sequence[str | None], *, inputs: Sequence[str | None] = (), overwrite: bool = False) -> None:
    """Refuse impossible output files before any work is done.

    Parameters
    ----------
    paths : sequence of str or None
        None is no output and ``-`` is stdout.
    inputs : sequence of str or None
        Files that are read and must not be written.
    overwrite : bool
        Whether existing files may be replaced.

    Raises
    ------
    UsageError
        If an output exists already, has no folder, is an input, or two are the same.
    """
    named = [str(p) for p in paths if p not in (None, "-")]
    if len({Path(p).resolve() for p in named}) < len(named):
        raise UsageError("outputs", got=", ".join(named), allowed="different files")
    read = {Path(str(p)).resolve() for p in inputs if p not in (None, "-")}
    for path in named:
        if Path(path).resolve() in read:
            raise UsageError(f"output {path}", got="the file that is read", allowed="another file")
        check_output(path, overwrite=overwrite)


def write_files(texts: Iterable[tuple[Path, str]], *, overwrite: bool = False) -> None:
    """Write texts; when one fails none is renamed into place.

    Parameters
    ----------
    texts : iterable of (path, text)
        May be made as they are written.
    overwrite : bool
        Whether existing files may be replaced.
    """
    # Files are renamed into place when the stack closes without an error; on an error all are dropped.
    with ExitStack() as stack:
        for path, text in texts:
            beside = stack.enter_context(replacing(path, overwrite=overwrite))
            with beside.open("w", encoding="utf-8", newline="") as sink:
                sink.write(text)


@dataclass(frozen=True)
class Outputs:
    """Where the results of one analysis go.

    Parameters
    ----------
    json, report : str or None
        Files; ``-`` is stdout for JSON.
    tables : str or None
        A folder, made when absent.
    overwrite : bool
        Whether existing files may be replaced.
    """

    json: str | None = None
    tables: str | None = None
    report: str | None = None
    overwrite: bool = False

    def check(self) -> None:
        """Refuse impossible outputs before any work is done.

        Raises
        ------
        UsageError
            If an output exists already, has no folder, or two are the same.
        """
        check_files([self.json, self.report], overwrite=self.overwrite)
        if self.tables is not None:
            folder = Path(self.tables)
            if folder.exists() and not folder.is_dir():
                raise UsageError(f"tables {folder}", got="a file", allowed="a folder")
            if not folder.exists() and not folder.parent.is_dir():
                raise UsageError(f"tables {folder}", got=f"no folder {folder.parent}", allowed="an existing folder")
            for name in TABLE_NAMES:
                if (folder / name).exists():
                    check_output(folder / name, overwrite=self.overwrite)

    def write(self, result: Result, recording: Path) -> None:
        """Write every output; when one fails none is renamed into place.

        Parameters
        ----------
        result : Result
        recording : pathlib.Path
            For the example pushes of the report.
        """
        from stanch.report.json import dumps

        made = None
        if self.tables is not None and not Path(self.tables).exists():
            made = Path(self.tables)
            made.mkdir()
        try:
            write_files(self._texts(result, recording), overwrite=self.overwrite)
        except BaseException:
            if made is not None and not any(made.iterdir()):
                made.rmdir()
            raise
        if self.json == "-":
            sys.stdout.write(dumps(result))

    def _texts(self, result: Result, recording: Path) -> Iterator[tuple[Path, str]]:
        from stanch.report.json import dumps
        from stanch.report.tables import tables

        if self.tables is not None:
            for name, text in tables(result).items():
                yield Path(self.tables) / name, text
        if self.report is not None:
            from stanch.report.examples import example_pushes
            from stanch.report.html import render

            yield Path(self.report), render(result, example_pushes(recording, result))
        if self.json not in (None, "-"):
            yield Path(str(self.json)), dumps(result)
