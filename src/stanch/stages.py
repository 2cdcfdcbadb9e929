"""The stages of one well, each starting where the one before ended."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError, RecordingError
from stanch.findings.records import QualitySign
from stanch.mechanics.records import Moduli, SpectralTable
from stanch.readings.assay_records import AssaySettings
from stanch.readings.definitions import Definitions
from stanch.recording.records import Acquisition, Geometry, SignalKind, Well
from stanch.result import WellResult

if TYPE_CHECKING:
    from stanch.mechanics.calibrate import Calibration
    from stanch.recording.container import Recording

__all__ = ["refuse", "table_of", "to_curve", "to_displacement", "to_moduli", "to_readings"]

PUSHES_PER_BLOCK = 16
PATHS = 1000
NOT_CHECKED: dict[SignalKind, tuple[str, ...]] = {
    "echo": (),
    "displacement": ("Echo quality and speckle could not be checked: the recording starts at displacement.",),
    "modulus": (
        "Echoes, displacement, geometry and the shared part of the error could not be checked: the recording starts at "
        "finished moduli.",
    ),
}

NO_RHEOLOGY = "The recording starts at finished moduli, which tell no loss tangent."


def to_displacement(source: Recording, well: Well, settings: AssaySettings) -> WellResult:
    """Echo -> displacement of one well, where it has echoes or traces."""
    kind = source.kind(well.name)
    result = WellResult(
        well, kind, source.geometry_of(well.name), None, None, None, None, not_checked=NOT_CHECKED[kind]
    )
    if source.push_count(well.name) == 0:
        return replace(result, problems=("No push was committed.",))
    try:
        return result if kind == "modulus" else replace(result, displacement=_track(source, well.name, settings))
    except InputError as error:
        return replace(result, problems=(str(error),))


def to_moduli(source: Recording, result: WellResult, settings: AssaySettings) -> WellResult:
    """Displacement -> moduli of one well, or the moduli it came with."""
    try:
        if result.problems:
            return result
        if result.displacement is None:
            return replace(result, moduli=_finished(source, result.well.name))
        return replace(result, moduli=_moduli(source, result.well.name, result.displacement, settings))
    except InputError as error:
        return replace(result, problems=(str(error),))


def _finished(source: Recording, well: str) -> Moduli:
    from stanch.mechanics.finished import from_modulus

    return from_modulus(
        source.push_time(well),
        source.read(well),
        modulus_sd=source.column(well, "modulus_sd"),
        viscosity=source.column(well, "viscosity"),
    )


def _track(source: Recording, well: str, settings: AssaySettings) -> Displacement:
    from stanch.echo.track import TrackSettings, track

    acquisition, geometry, frame_time = _set_up(source, well)
    half = None if settings.gate is None else 0.5 * settings.gate
    tracking = TrackSettings(
        estimator=settings.estimator or "autocorrelation",
        gate_start=None if half is None else -half,
        gate_end=half,
    )
    push_time = source.push_time(well)
    if source.kind(well) == "echo":
        blocks = source.blocks(well, PUSHES_PER_BLOCK)
        return track(blocks, push_time, frame_time, acquisition, geometry, tracking)
    from stanch.echo.given import from_displacement

    traces, sd = source.read(well), source.displacement_sd(well)
    return from_displacement(traces, push_time, frame_time, acquisition, geometry, sd=sd)


def _moduli(source: Recording, well: str, displacement: Displacement, settings: AssaySettings) -> Moduli:
    from stanch.mechanics.invert import InvertSettings, invert

    table, acquisition, geometry = table_of(source, well, displacement)
    # Wells share the processors already.
    how = InvertSettings(threads=1)
    frequency = settings.stated_frequency
    if frequency is None:
        return invert(displacement, table, acquisition, geometry, how)
    from stanch.mechanics.rheology.fit import fit

    return fit(displacement, table, acquisition, geometry, model=settings.rheology, frequency=frequency, settings=how)


def table_of(source: Recording, well: str, displacement: Displacement) -> tuple[SpectralTable, Acquisition, Geometry]:
    """The spectral table that the displacement of a well is fitted with, and what it was built for."""
    from stanch.mechanics.table import spectral_table

    acquisition, geometry, _ = _set_up(source, well)
    table = spectral_table(
        geometry,
        density=acquisition.density,
        push_duration=acquisition.push_duration,
        frame_time=displacement.frame_time,
    )
    return table, acquisition, geometry


def _set_up(source: Recording, well: str) -> tuple[Acquisition, Geometry, NDArray[np.float64]]:
    geometry, frame_time = source.geometry_of(well), source.frame_time(well)
    if source.acquisition is None or geometry is None or frame_time is None:
        raise RecordingError(
            f"well {well}",
            got="no acquisition, geometry or frame times",
            allowed="all three where the data is echoes or displacement",
            do="Convert the source again with them in the map.",
        )
    return source.acquisition, geometry, frame_time


def refuse(well: WellResult, signs: tuple[QualitySign, ...]) -> WellResult:
    """Take the pushes that quality refuses out of the curve; they stay in the record."""
    refused = {p for s in signs if s.well in ("", well.well.name) and s.consequence == "refuse_push" for p in s.pushes}
    if well.moduli is None or not refused:
        return well
    usable, flags = well.moduli.usable.copy(), well.moduli.flags.copy()
    index = sorted(p for p in refused if p < usable.size)
    usable[index] = False
    flags[index] |= int(PushFlag.REFUSED)
    return replace(well, moduli=replace(well.moduli, usable=usable, flags=flags))


def to_curve(well: WellResult, seed: int, settings: AssaySettings) -> WellResult:
    """Moduli -> curve of one well."""
    from stanch.curve.posterior import smooth

    if well.moduli is None:
        return well
    try:
        curve = smooth(well.moduli, seed=seed, paths=settings.paths or PATHS)
    except InputError as error:
        return replace(well, problems=(*well.problems, str(error)))
    if well.moduli.rheology is None and settings.stated_frequency is not None:
        curve = replace(curve, loss_absent=NO_RHEOLOGY)
    return replace(well, curve=curve)


def to_readings(
    well: WellResult, definitions: Definitions, seed: int, complete: bool, calibration: Calibration | None
) -> WellResult:
    """Curve -> readings of one well."""
    from stanch.readings.read import read_well

    if well.curve is None:
        return well
    try:
        readings = read_well(
            well.curve,
            definitions,
            activation_offset=well.well.activation_offset,
            activation_sd=well.well.activation_sd,
            seed=seed,
            complete=complete,
            systematic=None if calibration is None else calibration.systematic(float(well.curve.modulus.max())),
            well=well.well.name,
        )
    except InputError as error:
        return replace(well, problems=(*well.problems, str(error)))
    return replace(well, readings=readings)
