"""Running a scenario: a recording with known truth."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from stanch.errors import DocumentError
from stanch.files import check_output, publish, sibling
from stanch.recording.container import WellLayout, Writer, create
from stanch.recording.records import SampleFacts, Well
from stanch.virtual import faults as fault_kinds
from stanch.virtual.instrument import PushTruth, VirtualWell
from stanch.virtual.sample import sample_courses
from stanch.virtual.scenario import Scenario, load_scenario
from stanch.virtual.truth import truth_document

__all__ = ["assay_text", "simulate"]

_MAX_ASSAY_BYTES = 4_000_000


def simulate(
    scenario: Scenario | Path | str,
    out: Path | str,
    *,
    truth: Path | str | None = None,
    seed: int | None = None,
    overwrite: bool = False,
    progress: Callable[[float], object] | None = None,
) -> Path:
    """Run a scenario and write its recording, and if wanted what was put in.

    Parameters
    ----------
    scenario : Scenario, path or str
        The scenario, the name of its document, or the document's text.
    out : path
        The recording.
    truth : path, optional
        JSON of schema ``stanch.truth/1``: per well and push the modulus, viscosity, force and more.
    seed : int, optional
        Instead of the scenario's own. The same seed gives the same recording.
    overwrite : bool
        Whether existing outputs may be replaced.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Path
        Of the recording.

    Raises
    ------
    DocumentError
        If the scenario, or the assay document that it names, cannot be used.
    OutputExistsError
        If an output is there and `overwrite` is not set.
    """
    if not isinstance(scenario, Scenario):
        scenario = load_scenario(scenario)
    if seed is not None:
        scenario = scenario.model_copy(update={"seed": int(seed)})
    target = Path(out)
    truth_target = None if truth is None else Path(truth)
    for path in (target, truth_target):
        if path is not None:
            check_output(path, overwrite=overwrite)
    assay = assay_text(scenario)
    part = sibling(target)
    truth_part = None if truth_target is None else sibling(truth_target)
    try:
        courses = sample_courses(scenario)
        wells = [VirtualWell(scenario, i, scenario.seed, course) for i, course in enumerate(courses)]
        record = _run(scenario, wells, part, assay, progress or (lambda _share: None))
        if truth_part is not None:
            document = truth_document(scenario, wells, record, assay)
            truth_part.write_text(json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        publish(part, target, overwrite)
        if truth_part is not None and truth_target is not None:
            publish(truth_part, truth_target, overwrite)
    finally:
        for leftover in (part, truth_part):
            if leftover is not None:
                leftover.unlink(missing_ok=True)
    return target


def _run(
    scenario: Scenario, wells: list[VirtualWell], path: Path, assay: str | None, progress: Callable[[float], object]
) -> list[list[PushTruth]]:
    """Write the recording; return what was put into every push, well by well."""
    facts, records = _stated(scenario)
    layouts = [
        WellLayout(
            record,
            "echo",
            well.frame_time,
            geometry=None if well.stated_geometry == scenario.geometry.record() else well.stated_geometry,
            sample_count=scenario.acquisition.samples,
        )
        for well, record in zip(wells, records, strict=True)
    ]
    times = [scenario.push_times(i) for i in range(len(wells))]
    record: list[list[PushTruth]] = [[] for _ in wells]
    with (
        create(
            path,
            sample=facts,
            wells=layouts,
            acquisition=scenario.acquisition_record(),
            geometry=scenario.geometry.record(),
            assay_text=assay,
            instrument=scenario.instrument.name,
            operator=scenario.operator,
            started_at=scenario.started_at,
            overwrite=True,
        ) as writer,
        ThreadPoolExecutor(max_workers=min(len(wells), os.cpu_count() or 1)) as pool,
    ):
        if scenario.demo:
            writer.note(f"Demo data: invented by the scenario {scenario.name}, seed {scenario.seed}.")
        _write_temperature(scenario, writer)
        for k in range(scenario.run.pushes):
            for i, (block, put) in enumerate(pool.map(VirtualWell.push, wells, [t[k] for t in times])):
                writer.append(wells[i].name, times[i][k], block)
                record[i].append(put)
            progress((k + 1) / scenario.run.pushes)
    return record


def _stated(scenario: Scenario) -> tuple[SampleFacts, list[Well]]:
    """Sample and well facts as the recording states them, with the faults of paper and clock."""
    facts = scenario.sample_record()
    records = [scenario.well_record(i) for i in range(len(scenario.well))]
    start = None if scenario.started_at is None else datetime.fromisoformat(scenario.started_at)
    for fault in scenario.fault:
        if start is None:
            break
        if isinstance(fault, fault_kinds.StaleSample):
            drawn = start - timedelta(seconds=fault.age)
            facts = replace(facts, drawn_at=drawn.isoformat())
        elif isinstance(fault, fault_kinds.Clock):
            received = start + timedelta(seconds=fault.ahead)
            facts = replace(facts, received_at=received.isoformat())
        elif isinstance(fault, fault_kinds.ExpiredLot):
            expiry = (start - timedelta(days=1)).date().isoformat()
            records = [_expired(r, fault.reagent, expiry) if fault.hits(r.name) else r for r in records]
    return facts, records


def _expired(well: Well, reagent: str, expiry: str) -> Well:
    additives = tuple(replace(a, expiry=expiry) if a.name == reagent else a for a in well.additives)
    well = replace(well, additives=additives)
    return replace(well, activator_expiry=expiry) if well.activator == reagent else well


def _write_temperature(scenario: Scenario, writer: Writer) -> None:
    run, instrument = scenario.run, scenario.instrument
    last = run.first_push + (run.pushes - 1) * run.push_interval
    rng = np.random.default_rng(np.random.SeedSequence([scenario.seed, 2**20]))
    shifts = [f for f in scenario.fault if isinstance(f, fault_kinds.TemperatureShift)]
    for time in np.arange(0.0, last + instrument.temperature_interval, instrument.temperature_interval):
        off = sum(f.shift for f in shifts if f.active_at(float(time)))
        writer.temperature(float(time), instrument.temperature + off + 0.02 * float(rng.standard_normal()))


def assay_text(scenario: Scenario) -> str | None:
    """The assay document that a scenario names, as it stands.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    str or None
        None where it names none.

    Raises
    ------
    DocumentError
        If it cannot be read.
    """
    if scenario.assay is None:
        return None
    path = Path(scenario.folder or ".") / scenario.assay
    try:
        if path.stat().st_size > _MAX_ASSAY_BYTES:
            raise DocumentError(f"assay {path}", got=f"{path.stat().st_size} bytes", allowed="up to 4 MB")
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        what = getattr(error, "strerror", None) or "not UTF-8 text"
        do = "Correct the key assay of the scenario."
        raise DocumentError(f"assay {path}", got=what, allowed="a readable assay document", do=do) from None
