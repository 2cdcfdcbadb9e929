"""Which push of each well the report opens, and its raw echo."""

from __future__ import annotations

from os import PathLike

import numpy as np

from stanch.pipeline import Result, WellResult
from stanch.report.view import ExamplePush, assay_of, reading_of

__all__ = ["example_index", "example_pushes"]


def example_index(one: WellResult, hold: float | None = None, onset: float | None = None) -> int | None:
    """The push to open: the usable one nearest to the time of the early modulus, else the middle of the usable ones.

    Parameters
    ----------
    one : WellResult
    hold, onset : float or None
        [s].

    Returns
    -------
    int or None
        None where the well has no displacement.
    """
    d = one.displacement
    if d is None or d.push_time.size == 0:
        return None
    usable = np.flatnonzero(one.moduli.usable) if one.moduli is not None else np.arange(d.push_time.size)
    if usable.size == 0:
        return int(d.push_time.size // 2)
    if hold is None or onset is None:
        return int(usable[usable.size // 2])
    return int(usable[np.argmin(np.abs(d.push_time[usable] - (onset + hold)))])


def example_pushes(recording: str | PathLike[str], result: Result) -> tuple[ExamplePush, ...]:
    """Read one raw push of every well that holds echoes.

    Parameters
    ----------
    recording : path
        The recording the result was made from.
    result : Result

    Returns
    -------
    tuple of ExamplePush
    """
    from stanch.recording.reader import open_recording

    assay = assay_of(result)
    hold = None if assay is None else assay.definitions().hold
    examples = []
    with open_recording(recording) as opened:
        acquisition = opened.acquisition
        for one in result.wells:
            name = one.well.name
            reading = reading_of(result.wells, name, "onset")
            index = example_index(one, hold, None if reading is None else reading.estimate.value)
            time = opened.frame_time(name) if index is not None else None
            if one.kind != "echo" or index is None or acquisition is None or time is None:
                continue
            echo = opened.read(name, index, index + 1)[0]
            depth = acquisition.first_sample_depth + acquisition.sample_spacing * np.arange(echo.shape[1])
            examples.append(ExamplePush(name, index, echo, depth, time))
    return tuple(examples)
