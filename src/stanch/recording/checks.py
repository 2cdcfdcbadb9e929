"""What a new recording may hold."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stanch.errors import RecordingError
from stanch.recording.layout import ECHO_DTYPES, KINDS, WellLayout, clean_text, facts
from stanch.recording.records import Acquisition

__all__ = ["check_wells"]


def check_wells(wells: Sequence[WellLayout], acquisition: Acquisition | None) -> None:
    """Refuse wells that cannot be recorded.

    Raises
    ------
    RecordingError
        Naming the well.
    """
    if not wells:
        raise RecordingError("wells", got="none", allowed="one or more", do="State the wells.")
    if len(wells) > 999:
        raise RecordingError("wells", got=len(wells), allowed="up to 999", do="Split the recording.")
    names: set[str] = set()
    for layout in wells:
        name = clean_text(layout.well.name, "name of a well", limit=200)
        where = f"well {name}"
        if not name.strip() or name != name.strip():
            raise RecordingError("name of a well", got=name, allowed="text without outer blanks", do="Name the well.")
        if name in names:
            raise RecordingError(where, got="the same name twice", allowed="different names", do="Rename one.")
        names.add(name)
        facts(layout.well, f"{where}: ")
        _check_layout(layout, acquisition, where)


def _check_layout(layout: WellLayout, acquisition: Acquisition | None, where: str) -> None:
    if layout.kind not in KINDS:
        raise RecordingError(f"{where}: kind", got=layout.kind, allowed=", ".join(KINDS), do="Correct it.")
    if layout.frequency is not None and not (np.isfinite(layout.frequency) and layout.frequency > 0):
        raise RecordingError(f"{where}: frequency", got=layout.frequency, allowed="a positive number [Hz]")
    if layout.kind == "modulus":
        if layout.frame_time is not None:
            raise RecordingError(f"{where}: frame_time", got="an array", allowed="None for a modulus well")
        return
    if layout.frequency is not None:
        raise RecordingError(f"{where}: frequency", got=layout.frequency, allowed="None unless it holds a modulus")
    if acquisition is None:
        raise RecordingError(
            f"{where}: acquisition", got=None, allowed="an acquisition", do=f"{layout.kind} needs one."
        )
    _check_frames(layout, acquisition, where)
    if layout.kind == "echo":
        if layout.dtype not in ECHO_DTYPES:
            raise RecordingError(f"{where}: dtype", got=layout.dtype, allowed=", ".join(ECHO_DTYPES))
        if layout.sample_count is None or layout.sample_count < 1:
            raise RecordingError(
                f"{where}: sample_count", got=layout.sample_count, allowed="1 or more samples per line"
            )


def _check_frames(layout: WellLayout, acquisition: Acquisition, where: str) -> None:
    time = None if layout.frame_time is None else np.asarray(layout.frame_time)
    if time is None or time.ndim != 1 or time.size == 0 or time.dtype.kind not in "fiu":
        got = None if time is None else f"shape {time.shape} of {time.dtype}"
        raise RecordingError(f"{where}: frame_time", got=got, allowed="one or more times in one dimension [s]")
    if not np.isfinite(time).all():
        raise RecordingError(f"{where}: frame_time", got="NaN or infinity", allowed="finite times [s]")
    if (np.diff(time) <= 0).any():
        k = int(np.argmax(np.diff(time) <= 0)) + 1
        raise RecordingError(
            f"{where}: frame_time",
            got=f"{time[k]:.9g} s at frame {k} after {time[k - 1]:.9g} s",
            allowed="times that increase from frame to frame",
        )
    before = int((time < 0).sum())
    if layout.kind == "echo" and before < acquisition.frames_before_push:
        raise RecordingError(
            f"{where}: frame_time",
            got=f"{before} negative times",
            allowed=f"at least frames_before_push = {acquisition.frames_before_push}",
            do="Count frame times from the start of the push.",
        )
    if before == time.size:
        raise RecordingError(f"{where}: frame_time", got="no frame after the start of the push", allowed="one or more")
