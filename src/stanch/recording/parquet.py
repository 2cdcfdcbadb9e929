"""Parquet files as a source, when pyarrow is installed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import RecordingError
from stanch.recording.source import unreadable

__all__ = ["ParquetSource"]


class ParquetSource:
    """Columns of a Parquet file."""

    table = True

    def __init__(self, path: Path, where: str) -> None:
        self.where = where
        try:
            import pyarrow.parquet as parquet
        except ImportError:
            raise RecordingError(
                where,
                got="a Parquet file, and pyarrow is not installed",
                allowed="Parquet with pyarrow, or CSV",
                do='Install it: pip install "stanch[tables]".',
            ) from None
        # The parser meets arbitrary bytes and fails in many ways; all of them mean the same to the reader.
        try:
            self._table = parquet.ParquetFile(path, memory_map=False).read()
            self._names = [str(name) for name in self._table.column_names]
        except Exception as error:
            raise unreadable(where, error, "Parquet") from None

    def names(self) -> list[str]:
        """Names of the columns."""
        return self._names

    def array(self, name: str) -> NDArray[Any]:
        """One column as numbers in its own unit [-]; a null is refused."""
        column = self._table.column(name)
        if column.null_count:
            raise RecordingError(
                f"{self.where}: column {name}",
                got=f"{column.null_count} empty cells",
                allowed="a number in every row",
                do="Leave those rows out.",
            )
        try:
            return np.asarray(column.to_numpy())
        except Exception as error:
            raise unreadable(f"{self.where}: column {name}", error, "Parquet") from None

    def text(self, name: str) -> list[str]:
        """One column as text."""
        return [str(value) for value in self._table.column(name).to_pylist()]
