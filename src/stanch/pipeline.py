"""The job, stage by stage: recording -> displacement -> moduli -> curve -> readings -> contrasts -> findings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from os import PathLike
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError, NothingReadableError, RecordingError
from stanch.findings.records import Finding, QualitySign
from stanch.mechanics.records import Moduli
from stanch.readings.assay_records import AssaySettings
from stanch.readings.records import Contrast, WellReadings
from stanch.recording.records import Acquisition, Geometry, SampleFacts, SignalKind, Well
from stanch.version import __version__

if TYPE_CHECKING:
    import pandas
    import xarray

    from stanch.mechanics.calibrate import Calibration
    from stanch.readings.assay import AssayDocument
    from stanch.recording.container import Recording

__all__ = ["Result", "WellResult", "analyse"]

PUSHES_PER_BLOCK = 16
NOT_CHECKED: dict[SignalKind, tuple[str, ...]] = {
    "echo": (),
    "displacement": ("Echo quality and speckle could not be checked: the recording starts at displacement.",),
    "modulus": (
        "Echoes, displacement, geometry and the shared part of the error could not be checked: the recording starts at "
        "finished moduli.",
    ),
}

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True)
class WellResult:
    """Everything computed for one well; a stage that could not run is None and `problems` says why.

    Parameters
    ----------
    well : Well
    kind : str
        Where analysis started: echo, displacement or modulus.
    geometry : Geometry or None
    displacement : Displacement or None
    moduli : Moduli or None
    curve : Curve or None
    readings : WellReadings or None
    problems : tuple of str
        One sentence each.
    not_checked : tuple of str
        What could not be checked from this kind of data.
    """

    well: Well
    kind: SignalKind
    geometry: Geometry | None
    displacement: Displacement | None
    moduli: Moduli | None
    curve: Curve | None
    readings: WellReadings | None
    problems: tuple[str, ...] = ()
    not_checked: tuple[str, ...] = ()


@dataclass(frozen=True)
class Result:
    """The outcome of one analysis.

    Parameters
    ----------
    identity : str
        SHA-256 identity of the recording.
    state : str
        recording or closed.
    sample : SampleFacts
    acquisition : Acquisition or None
    wells : tuple of WellResult
    contrasts : tuple of Contrast
    findings : tuple of Finding
        In the order quality, heparin, factors, fibrin, platelets, lysis.
    not_assessed, cannot_see : tuple of str
        What this run did not assess; what this assay cannot see.
    quality : tuple of QualitySign
    assay_name, assay_sha256, assay_source : str or None
        The assay document used; source is "recording" or "given"; None without one.
    assay_text : str or None
    seed : int
    software : str
    created : str
        UTC with offset.
    source : str
        Path or name of the recording, for the reader.
    """

    identity: str
    state: str
    sample: SampleFacts
    acquisition: Acquisition | None
    wells: tuple[WellResult, ...]
    contrasts: tuple[Contrast, ...]
    findings: tuple[Finding, ...]
    not_assessed: tuple[str, ...]
    cannot_see: tuple[str, ...]
    quality: tuple[QualitySign, ...]
    assay_name: str | None
    assay_sha256: str | None
    assay_source: str | None
    assay_text: str | None
    seed: int
    software: str
    created: str
    source: str = field(default="")

    def to_frame(self) -> pandas.DataFrame:
        """Readings and contrasts as a pandas table; see :func:`stanch.frames.to_frame`."""
        from stanch.frames import to_frame

        return to_frame(self)

    def to_xarray(self) -> xarray.Dataset:
        """Curves as an xarray dataset; see :func:`stanch.frames.to_xarray`."""
        from stanch.frames import to_xarray

        return to_xarray(self)


def analyse(
    source: str | PathLike[str] | Recording,
    assay: AssayDocument | None = None,
    *,
    calibration: Calibration | None = None,
    seed: int = 0,
    threads: int = 2,
    now: str | None = None,
    progress: Callable[[float], None] = lambda _fraction: None,
) -> Result:
    """Turn a recording into curves and, with an assay document, into readings, contrasts and findings.

    Parameters
    ----------
    source : path-like or Recording
        The recording; it is never changed.
    assay : AssayDocument, optional
        Overrides the one kept in the recording.
    calibration : Calibration, optional
        Gives every reading of a modulus its systematic uncertainty, which is null without one.
    seed : int
        Of every random draw [-].
    threads : int
        Wells analysed at once [-]; the result does not depend on it.
    now : str, optional
        UTC time with offset to print as the time of analysis.
    progress : callable
        Told the fraction done [-].

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If the recording or its assay document is wrong.
    IntegrityError
        If stored data is not what was written.
    NothingReadableError
        If no well could be read.
    """
    from stanch.readings.assay import load_assay
    from stanch.recording.container import Recording, open_recording

    if not isinstance(source, Recording):
        with open_recording(source) as opened:
            return analyse(
                opened, assay, calibration=calibration, seed=seed, threads=threads, now=now, progress=progress
            )
    origin = "given" if assay is not None else None
    if assay is None and source.assay_text is not None:
        assay, origin = load_assay(source.assay_text, where="assay document in the recording"), "recording"
    if assay is not None:
        assay.check_wells([well.name for well in source.wells])
    now = now or datetime.now(UTC).isoformat(timespec="seconds")

    settings = assay.settings if assay is not None else AssaySettings()
    wells = _each(threads, lambda well: _to_moduli(source, well, settings), source.wells)
    progress(0.6)
    if all(well.moduli is None for well in wells):
        why = " ".join(f"Well {well.well.name}: {' '.join(well.problems)}" for well in wells)
        raise NothingReadableError(
            f"recording {source.path}: no well could be read. {why}", do="See: stanch inspect REC."
        )
    signs = _quality(source, wells, assay, now)
    wells = tuple(_refuse(well, signs) for well in wells)
    complete = source.state == "closed"
    seeds = np.random.SeedSequence(seed).generate_state(2 * len(wells), np.uint64).reshape(-1, 2).tolist()
    wells = _each(threads, lambda job: _to_readings(*job, assay, complete, calibration), zip(wells, seeds, strict=True))
    progress(0.9)
    contrasts = _contrasts(wells, assay, seed)
    signs = _quality(source, wells, assay, now)
    findings, not_assessed, cannot_see = _findings(wells, contrasts, signs, assay, seed)
    progress(1.0)
    return Result(
        identity=source.identity(),
        state=source.state,
        sample=source.sample,
        acquisition=source.acquisition,
        wells=wells,
        contrasts=contrasts,
        findings=findings,
        not_assessed=not_assessed,
        cannot_see=cannot_see,
        quality=signs,
        assay_name=assay.name if assay is not None else None,
        assay_sha256=assay.sha256 if assay is not None else None,
        assay_source=origin,
        assay_text=assay.text if assay is not None else None,
        seed=seed,
        software=f"stanch {__version__}",
        created=now,
        source=str(source.path),
    )


def _each(threads: int, work: Callable[[T], R], items: Iterable[T]) -> tuple[R, ...]:
    """Results in the order of the items; the compiled kernels release the interpreter lock."""
    if threads <= 1:
        return tuple(map(work, items))
    with ThreadPoolExecutor(threads) as pool:
        return tuple(pool.map(work, items))


def _to_moduli(source: Recording, well: Well, settings: AssaySettings) -> WellResult:
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


def _refuse(well: WellResult, signs: tuple[QualitySign, ...]) -> WellResult:
    """Take the pushes that quality refuses out of the curve; they stay in the record."""
    refused = {p for s in signs if s.well in ("", well.well.name) and s.consequence == "refuse_push" for p in s.pushes}
    if well.moduli is None or not refused:
        return well
    usable, flags = well.moduli.usable.copy(), well.moduli.flags.copy()
    index = sorted(p for p in refused if p < usable.size)
    usable[index] = False
    flags[index] |= int(PushFlag.REFUSED)
    return replace(well, moduli=replace(well.moduli, usable=usable, flags=flags))


def _to_readings(
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


def _quality(
    source: Recording, wells: tuple[WellResult, ...], assay: AssayDocument | None, now: str
) -> tuple[QualitySign, ...]:
    from stanch.findings.quality import assess

    return assess(
        source.sample,
        wells,
        temperatures=source.temperatures(),
        started_at=source.started_at,
        assay=assay,
        now=now,
    )


def _contrasts(wells: tuple[WellResult, ...], assay: AssayDocument | None, seed: int) -> tuple[Contrast, ...]:
    """Every contrast the assay document defines, of the wells that could be read."""
    from stanch.readings.contrast import contrast

    if assay is None:
        return ()
    sides = {w.well.name: (w.well, w.curve, w.readings) for w in wells}
    return tuple(
        contrast(one, sides.get(one.base), sides.get(one.other), assay.definitions(), seed=seed)
        for one in assay.contrasts
    )


def _findings(
    wells: tuple[WellResult, ...],
    contrasts: tuple[Contrast, ...],
    signs: tuple[QualitySign, ...],
    assay: AssayDocument | None,
    seed: int,
) -> tuple[tuple[Finding, ...], tuple[str, ...], tuple[str, ...]]:
    from stanch.findings.evaluate import CANNOT_SEE, evaluate

    if assay is None:
        return (), ("Everything that needs an assay document: readings, contrasts and findings.",), CANNOT_SEE
    read = [well.readings for well in wells if well.readings is not None]
    return evaluate(assay, read, contrasts, signs, seed=seed)
