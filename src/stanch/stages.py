"""The stages of one well, each starting where the one before ended."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError, RecordingError
from stanch.findings.records import QualitySign
from stanch.mechanics.records import Moduli
from stanch.readings.assay_records import AssaySettings
from stanch.recording.records import Acquisition, Geometry, SignalKind, Well
from stanch.result import WellResult

if TYPE_CHECKING:
    from stanch.mechanics.calibrate import Calibration
    from stanch.readings.assay import AssayDocument
    from stanch.recording.container import Recording

__all__ = ["refuse", "to_moduli", "to_readings"]

PUSHES_PER_BLOCK = 16
NOT_CHECKED: dict[SignalKind, tuple[str, ...]] = {
    "echo": (),
    "displacement": ("Echo quality and speckle could not be checked: the recording starts at displacement.",),
    "modulus": (
        "Echoes, displacement, geometry and the shared part of the error could not be checked: the recording starts at "
        "finished moduli.",
    ),
}


def to_moduli(source: Recording, well: Well, settings: AssaySettings) -> WellResult:
    """Echo -> displacement -> moduli of one well, starting where its data starts."""
    kind = source.kind(well.name)
    result = WellResult(
        well, kind, source.geometry_of(well.name), None, None, None, None, not_checked=NOT_CHECKED[kind]
    )
    if source.push_count(well.name) == 0:
        return replace(result, problems=("No push was committed.",))
    try:
        if kind == "modulus":
            return replace(result, moduli=_finished(source, well.name))
        displacement = _displacement(source, well.name, settings)
        return replace(result, displacement=displacement, moduli=_moduli(source, well.name, displacement))
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


def _displacement(source: Recording, well: str, settings: AssaySettings) -> Displacement:
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


def _moduli(source: Recording, well: str, displacement: Displacement) -> Moduli:
    from stanch.mechanics.invert import invert
    from stanch.mechanics.table import spectral_table

    acquisition, geometry, _ = _set_up(source, well)
    table = spectral_table(
        geometry,
        density=acquisition.density,
        push_duration=acquisition.push_duration,
        frame_time=displacement.frame_time,
    )
    return invert(displacement, table, acquisition, geometry)


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


def to_readings(
    well: WellResult,
    seeds: list[int],
    assay: AssayDocument | None,
    complete: bool,
    calibration: Calibration | None,
) -> WellResult:
    """Moduli -> curve -> readings of one well."""
    from stanch.curve.posterior import smooth
    from stanch.readings.read import read_well

    if well.moduli is None:
        return well
    try:
        paths = assay.settings.paths if assay is not None else None
        curve = smooth(well.moduli, seed=seeds[0], paths=paths or 1000)
        if assay is None:
            return replace(well, curve=curve)
        readings = read_well(
            curve,
            assay.definitions(),
            activation_offset=well.well.activation_offset,
            activation_sd=well.well.activation_sd,
            seed=seeds[1],
            complete=complete,
            systematic=None if calibration is None else calibration.systematic(float(curve.modulus.max())),
            well=well.well.name,
        )
        return replace(well, curve=curve, readings=readings)
    except InputError as error:
        return replace(well, problems=(*well.problems, str(error)))
