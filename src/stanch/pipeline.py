"""The job, stage by stage: recording -> displacement -> moduli -> curve -> readings -> contrasts -> findings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from functools import reduce
from os import PathLike
from typing import TYPE_CHECKING, Any

import numpy as np

from stanch.errors import NothingReadableError
from stanch.findings.records import Finding, QualitySign
from stanch.readings.assay_records import AssaySettings
from stanch.readings.records import Contrast
from stanch.result import Result, WellResult
from stanch.stages import refuse, to_curve, to_displacement, to_moduli, to_readings
from stanch.version import __version__

if TYPE_CHECKING:
    from stanch.mechanics.calibrate import Calibration
    from stanch.readings.assay import AssayDocument
    from stanch.recording.container import Recording

__all__ = ["Result", "WellResult", "analyse"]


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
    import scipy.linalg  # noqa: F401 - its linear algebra must be loaded before its threads can be limited
    from threadpoolctl import threadpool_limits

    from stanch.recording.container import Recording, open_recording

    now = now or datetime.now(UTC).isoformat(timespec="seconds")
    # Wells already share the processors; more threads below them only wait for each other.
    with threadpool_limits(limits=1, user_api="blas"):
        if isinstance(source, Recording):
            return _analyse(source, assay, calibration, seed, threads, now, progress)
        with open_recording(source) as opened:
            return _analyse(opened, assay, calibration, seed, threads, now, progress)


def _analyse(
    source: Recording,
    assay: AssayDocument | None,
    calibration: Calibration | None,
    seed: int,
    threads: int,
    now: str,
    progress: Callable[[float], None],
) -> Result:
    from stanch.readings.assay import load_assay

    origin = "given" if assay is not None else None
    if assay is None and source.assay_text is not None:
        assay, origin = load_assay(source.assay_text, where="assay document in the recording"), "recording"
    if assay is not None:
        assay.check_wells([well.name for well in source.wells])

    settings = assay.settings if assay is not None else AssaySettings()
    wells = _each(
        threads,
        source.wells,
        lambda well: to_displacement(source, well, settings),
        lambda well: to_moduli(source, well, settings),
    )
    progress(0.6)
    if all(well.moduli is None for well in wells):
        why = " ".join(f"Well {well.well.name}: {' '.join(well.problems)}" for well in wells)
        raise NothingReadableError(
            f"recording {source.path}: no well could be read. {why}", do="See: stanch inspect REC."
        )
    signs = _quality(source, wells, assay, now)
    wells = tuple(refuse(well, signs) for well in wells)
    seeds = np.random.SeedSequence(seed).generate_state(2 * len(wells), np.uint64).reshape(-1, 2).tolist()
    wells = _each(
        threads,
        zip(wells, seeds, strict=True),
        lambda job: (to_curve(job[0], job[1][0], settings), job[1][1]),
        lambda job: _read(job[0], job[1], source, assay, calibration),
    )
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
        rheology=settings.rheology,
        frequency=settings.stated_frequency,
    )


def _each(threads: int, items: Iterable[Any], *works: Callable[[Any], Any]) -> tuple[Any, ...]:
    """Do one work after the other to every item; results in the order of the items.

    Kernels release the interpreter lock. Each work is queued for all items before the next one, so that processors stay
    busy when items do not divide evenly; what an item waits for is always ahead of it in the queue.
    """
    if threads <= 1:
        return tuple(reduce(lambda value, work: work(value), works, item) for item in items)
    with ThreadPoolExecutor(threads) as pool:
        row = [pool.submit(works[0], item) for item in items]
        for work in works[1:]:
            row = [pool.submit(lambda work, before: work(before.result()), work, before) for before in row]
        return tuple(future.result() for future in row)


def _read(
    well: WellResult, seed: int, source: Recording, assay: AssayDocument | None, calibration: Calibration | None
) -> WellResult:
    if assay is None:
        return well
    return to_readings(well, assay.definitions(), seed, source.state == "closed", calibration)


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
