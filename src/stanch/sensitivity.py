"""A reading as a function of the settings it was computed with: the whole analysis, run again with other settings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from os import PathLike
from typing import TYPE_CHECKING, Any

from stanch.errors import InputError, UsageError
from stanch.recording.reader import Recording
from stanch.recording.records import Acquisition, Geometry, Well

if TYPE_CHECKING:
    from stanch.estimate import Estimate
    from stanch.readings.assay import AssayDocument
    from stanch.result import Result

__all__ = ["SETTINGS", "reading_model", "recorded_settings"]

GEOMETRY = tuple(f.name for f in fields(Geometry) if f.type == "float")
ACQUISITION = ("sound_speed", "density", "push_duration", "first_sample_depth")
WELL = ("activation_offset",)
SETTINGS = (*GEOMETRY, *ACQUISITION, *WELL)
"""Settings that can be changed, in SI units, by the names they have in a recording."""


class _Restated(Recording):
    """An open recording read as if some of its settings had been stated otherwise; its data and its file stay."""

    def __init__(self, opened: Recording, wells: tuple[str, ...], changed: Mapping[str, float]) -> None:
        self.__dict__.update(opened.__dict__)
        self._opened = opened
        self._changed = changed
        if self.acquisition is not None:
            self.acquisition = _with(self.acquisition, changed, ACQUISITION)
        self.wells = tuple(_with(well, changed, WELL) for well in opened.wells if not wells or well.name in wells)

    def geometry_of(self, well: str) -> Geometry | None:
        """The geometry with the changes."""
        found = self._opened.geometry_of(well)
        return None if found is None else _with(found, self._changed, GEOMETRY)

    def identity(self) -> str:
        """Of the recording as it was written."""
        return self._opened.identity()


def _with(record: Any, changed: Mapping[str, float], names: tuple[str, ...]) -> Any:
    return replace(record, **{name: float(changed[name]) for name in names if name in changed})


def reading_model(
    source: str | PathLike[str],
    *,
    reading: str,
    well: str | None = None,
    assay: AssayDocument | None = None,
    seed: int = 0,
    threads: int = 2,
) -> Callable[[Mapping[str, Any]], float]:
    """The analysis of a recording as a function of its settings.

    Parameters
    ----------
    source : path-like
        The recording; it is never changed.
    reading : str
        Key of a reading of `well`, such as ``plateau``; without a well the name of a contrast of the assay document.
    well : str, optional
        Only this well is analysed, and with a contrast only its two.
    assay : AssayDocument, optional
        Overrides the one kept in the recording.
    seed : int
        Of every random draw of the analysis [-]; the same at every run, so that only the settings make a difference.
    threads : int
        [-].

    Returns
    -------
    callable
        From settings by name (`SETTINGS`, SI units; those left out stay as recorded) to the reading in its SI unit.

    Raises
    ------
    InputError
        If the recording has no such well or the assay document no such contrast; when called, if a setting is unknown
        or the reading has no value there.

    Notes
    -----
    One setting applies to all analysed wells alike: what is common to them, as a drawing or a hydrophone scan is.
    """
    from stanch.pipeline import analyse
    from stanch.recording.container import open_recording

    recorded = open_recording(source)
    wells = _wells(recorded, assay, reading, well)

    def model(values: Mapping[str, Any]) -> float:
        unknown = sorted(set(values) - set(SETTINGS))
        if unknown:
            raise InputError(
                f"setting {unknown[0]}",
                got="a name that is no setting of a recording",
                allowed=", ".join(SETTINGS),
                do="State a sensitivity for it, or name one of these.",
            )
        restated = _Restated(recorded, wells, {name: float(value) for name, value in values.items()})
        result = analyse(restated, assay, seed=seed, threads=threads)
        found = _estimate(result, reading, well)
        if found.value is None:
            raise InputError(
                f"{reading} of {well or 'the contrast'} with these settings",
                got=found.status,
                allowed="a reading that has a value over the whole spread of the settings",
                do=found.why or "Choose another reading.",
            )
        return found.value

    model.__name__ = f"{reading} of {well}" if well else reading
    return model


def _wells(recorded: Recording, assay: AssayDocument | None, reading: str, well: str | None) -> tuple[str, ...]:
    from stanch.quantities import QUANTITIES
    from stanch.readings.assay import load_assay

    known = [one.name for one in recorded.wells]
    if well is not None:
        if well not in known:
            raise InputError(f"well of {recorded.path}", got=well, allowed=", ".join(known), do="Name one of these.")
        if reading not in QUANTITIES:
            raise InputError("reading", got=reading, allowed="a key such as plateau, early_modulus, onset")
        return (well,)
    if assay is None and recorded.assay_text is not None:
        assay = load_assay(recorded.assay_text, where="assay document in the recording")
    contrasts = {} if assay is None else {one.name: (one.base, one.other) for one in assay.contrasts}
    if reading not in contrasts:
        raise UsageError(
            "reading", got=reading, allowed=", ".join(contrasts) or "a reading with its well", do="Name a well too."
        )
    return contrasts[reading]


def _estimate(result: Result, reading: str, well: str | None) -> Estimate:
    if well is None:
        return next(one.estimate for one in result.contrasts if one.name == reading)
    readings = result.wells[0].readings
    if readings is None:
        raise InputError(f"well {well}", got="no readings", allowed="a well that can be read with an assay document")
    try:
        return readings[reading].estimate
    except KeyError:
        keys = ", ".join(one.key for one in readings.readings)
        raise InputError(f"reading of {well}", got=reading, allowed=keys) from None


def recorded_settings(source: str | PathLike[str], well: str) -> dict[str, float]:
    """The settings in force for a well, by name.

    Parameters
    ----------
    source : path-like
    well : str

    Returns
    -------
    dict of str to float
        [SI unit].
    """
    from stanch.recording.container import open_recording

    with open_recording(source) as opened:
        geometry, one = opened.geometry_of(well), next((w for w in opened.wells if w.name == well), Well(well))
        records: tuple[tuple[Geometry | Acquisition | Well | None, tuple[str, ...]], ...] = (
            (geometry, GEOMETRY),
            (opened.acquisition, ACQUISITION),
            (one, WELL),
        )
        return {name: float(getattr(r, name)) for r, names in records if r is not None for name in names}
