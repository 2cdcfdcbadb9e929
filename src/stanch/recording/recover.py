"""Saving what is intact of a damaged or unfinished recording, and checking a whole one."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stanch.errors import IntegrityError, NothingReadableError, RecordingError, UsageError
from stanch.files import check_output, replacing
from stanch.recording.layout import COLUMNS, WellLayout
from stanch.recording.reader import Recording, open_damaged, open_recording
from stanch.recording.start import create
from stanch.recording.writer import Writer

__all__ = ["RecoveryReport", "WellRecovery", "recover", "verify"]


@dataclass(frozen=True)
class WellRecovery:
    """What was saved of one well.

    Parameters
    ----------
    well : str
        Its name.
    committed : int
        Pushes the recording had committed.
    saved : int
        Pushes copied.
    lost : tuple of int
        Indices of the damaged ones, left out of the copy.
    """

    well: str
    committed: int
    saved: int
    lost: tuple[int, ...]


@dataclass(frozen=True)
class RecoveryReport:
    """What was saved of a recording.

    Parameters
    ----------
    source, out : Path
    wells : tuple of WellRecovery
    state : str
        Of the recording and the copy: a run without a close stays without one.
    cut : bool
        Whether the file ended before its recorded length.
    log_lost : int
        Notes and temperatures that were damaged and left out.
    identity : str
        Of the copy; that of the original when nothing was lost.
    """

    source: Path
    out: Path
    wells: tuple[WellRecovery, ...]
    state: str
    cut: bool
    log_lost: int
    identity: str

    @property
    def complete(self) -> bool:
        """Whether everything committed was saved."""
        return not self.log_lost and all(not well.lost for well in self.wells)

    def __str__(self) -> str:
        lines = [f"{self.out}: identity {self.identity}"]
        for well in self.wells:
            lost = f", damaged and left out: {_ranges(well.lost)}" if well.lost else ""
            lines.append(f"well {well.well}: {well.saved} of {well.committed} committed pushes saved{lost}")
        if self.log_lost:
            lines.append(f"{self.log_lost} entries of the notes and temperatures were damaged and left out")
        if self.cut:
            lines.append("the file was cut short")
        if self.state == "recording":
            lines.append("the run has no close: it ends at its last committed push")
        return "\n".join(lines)


def _ranges(indices: tuple[int, ...]) -> str:
    parts: list[list[int]] = []
    for i in indices:
        if parts and parts[-1][1] == i - 1:
            parts[-1][1] = i
        else:
            parts.append([i, i])
    return "push " + ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in parts)


def recover(path: str | os.PathLike[str], out: str | os.PathLike[str], overwrite: bool = False) -> RecoveryReport:
    """Copy every committed, intact push of a recording to a new file that any HDF5 program can open.

    Parameters
    ----------
    path : path
        The recording, which is not changed: whole, damaged, cut, being written or left by a killed writer.
    out : path
        The recording to write.
    overwrite : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    RecoveryReport

    Raises
    ------
    NothingReadableError
        If pushes were committed but none is intact; nothing is written.
    IntegrityError
        If not even the description of the recording can be read.
    """
    source, target = Path(path), Path(out)
    check_output(target, overwrite=overwrite)
    if target.exists() and source.exists() and target.samefile(source):
        raise UsageError(f"output {target}", got="the recording itself", allowed="another name")
    with _opened(source) as (recording, cut), replacing(target, overwrite=overwrite) as part:
        with _start(recording, part) as writer:
            wells = tuple(_copy_well(recording, writer, well.name) for well in recording.wells)
            log_lost = _copy_logs(recording, writer)
            if recording.state == "recording":
                writer.abandon()
        if any(well.committed for well in wells) and not any(well.saved for well in wells):
            raise NothingReadableError(f"recording {source}", got="no intact push", allowed="one or more")
        with open_recording(part) as copy:
            identity = copy.identity()
        state = recording.state
    return RecoveryReport(source, target, wells, state, cut, log_lost, identity)


@contextmanager
def _opened(path: Path) -> Iterator[tuple[Recording, bool]]:
    """The recording; one that was cut is padded with zeros in a temporary copy, whose checksums tell what is left."""
    missing = _missing_bytes(path)
    if not missing:
        with open_damaged(path) as recording:
            yield recording, False
        return
    with tempfile.TemporaryDirectory(prefix="stanch-recover-") as folder:
        padded = Path(folder) / path.name
        shutil.copyfile(path, padded)
        os.truncate(padded, padded.stat().st_size + missing)
        with open_damaged(padded) as recording:
            yield recording, True


def _missing_bytes(path: Path) -> int:
    """Bytes between the end of the file and the end its superblock (HDF5 file format, version 3) states."""
    if not path.is_file():
        return 0
    with path.open("rb") as stream:
        head = stream.read(48)
    size = path.stat().st_size
    if len(head) < 48 or head[8] != 3 or head[9] != 8:
        return 0
    missing = int.from_bytes(head[28:36], "little") - size
    return missing if 0 < missing <= max(100 * size, 1 << 24) else 0


def _start(recording: Recording, path: Path) -> Writer:
    wells = []
    for well in recording.wells:
        kind = recording.kind(well.name)
        shape = recording.block_shape(well.name)
        wells.append(
            WellLayout(
                well,
                kind,
                recording.frame_time(well.name),
                geometry=recording.own_geometry(well.name),
                sample_count=shape[1] if kind == "echo" else None,
                dtype=str(recording.dtype(well.name)) if kind == "echo" else "int16",
                frequency=recording.frequency(well.name),
            )
        )
    return create(
        path,
        sample=recording.sample,
        wells=wells,
        acquisition=recording.acquisition,
        geometry=recording.geometry,
        assay_text=recording.assay_text,
        instrument=recording.instrument,
        operator=recording.operator,
        started_at=recording.started_at,
        overwrite=True,
    )


def _copy_well(recording: Recording, writer: Writer, name: str) -> WellRecovery:
    count, lost = recording.push_count(name), []
    columns = [c for c in COLUMNS[recording.kind(name)] if recording.has_column(name, c)]
    for i in range(count):
        try:
            block = recording.read(name, i, i + 1)[0]
            beside_it = {c: recording.entry(name, c, i) for c in columns}
            if "displacement_sd" in beside_it:
                beside_it["sd"] = beside_it.pop("displacement_sd")
            writer.append(name, float(recording.entry(name, "push_time", i)), block, **beside_it)
        except (IntegrityError, RecordingError):
            lost.append(i)
    return WellRecovery(name, count, count - len(lost), tuple(lost))


def _copy_logs(recording: Recording, writer: Writer) -> int:
    lost = 0
    for i in range(recording.note_count):
        try:
            note = recording.notes(i, i + 1)[0]
            writer.note(note.text, note.at)
        except (IntegrityError, RecordingError):
            lost += 1
    for i in range(recording.temperature_count):
        try:
            time, kelvin = recording.temperatures(i, i + 1)
            writer.temperature(float(time[0]), float(kelvin[0]))
        except (IntegrityError, RecordingError):
            lost += 1
    return lost


def verify(path: str | os.PathLike[str]) -> list[str]:
    """Read every committed number of a recording and check it.

    Parameters
    ----------
    path : path
        The recording.

    Returns
    -------
    list of str
        Every problem found, one line each; empty when all is as written.

    Raises
    ------
    RecordingError, IntegrityError
        If it cannot be opened at all.
    """
    problems: list[str] = []

    def check(action: object, *arguments: object) -> None:
        try:
            action(*arguments)  # type: ignore[operator]
        except (IntegrityError, RecordingError) as error:
            problems.append(str(error))

    with open_recording(path) as recording:
        for well in recording.wells:
            check(recording.push_time, well.name)
            for i in range(recording.push_count(well.name)):
                check(recording.read, well.name, i, i + 1)
            check(recording.displacement_sd, well.name)
            for column in COLUMNS["modulus"]:
                check(recording.column, well.name, column)
        check(recording.notes)
        check(recording.temperatures)
        if not problems:
            check(recording.identity)
    return problems
