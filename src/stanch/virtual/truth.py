"""The truth file: what was put into every push, and the readings that a perfect analysis would find."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from stanch.errors import DocumentError
from stanch.estimate import Estimate
from stanch.readings.assay import load_assay
from stanch.readings.assay_records import AssayDocument
from stanch.version import __version__
from stanch.virtual.course import Course
from stanch.virtual.gel import Gel
from stanch.virtual.growth import Growth
from stanch.virtual.instrument import PushTruth, VirtualWell
from stanch.virtual.scenario import Scenario
from stanch.virtual.true_contrasts import TrueWell, known_wells, true_contrasts

__all__ = ["TRUTH_SCHEMA", "truth_document"]

TRUTH_SCHEMA = "stanch.truth/1"

_SUFFIX = {
    "time": "_s",
    "modulus": "_pa",
    "viscosity": "_pa_s",
    "force": "_n_per_m3",
    "shift": "_m",
    "peak": "_m",
}
_UNIT_SUFFIX = {"s": "_s", "Pa": "_pa", "Pa/s": "_pa_per_s", "1": ""}


def truth_document(
    scenario: Scenario, wells: list[VirtualWell], record: list[list[PushTruth]], assay: str | None
) -> dict[str, Any]:
    """The truth file's content.

    Parameters
    ----------
    scenario : Scenario
    wells : list of VirtualWell
    record : list of list of PushTruth
        Well by well.
    assay : str or None
        The assay document, for how curves are read and wells compared.

    Returns
    -------
    dict
        Ready for JSON.
    """
    document = scenario.model_dump(mode="json", by_alias=True)
    digest = hashlib.sha256(json.dumps(document, sort_keys=True).encode()).hexdigest()
    read = _read(assay)
    known = {} if read is None else _known(scenario, wells, read)
    contrasts = None
    if read is not None:
        found = true_contrasts(known, read.contrasts, read.definitions())
        contrasts = [
            {"name": c.name, "kind": c.kind, "base": c.base, "other": c.other, **_told(found[c.name])}
            for c in read.contrasts
        ]
    return {
        "schema": TRUTH_SCHEMA,
        "demo": scenario.demo,
        "note": "Demo data: invented, from a virtual instrument." if scenario.demo else "From a virtual instrument.",
        "scenario": {"name": scenario.name, "sha256": digest},
        "seed": scenario.seed,
        "software": f"stanch {__version__}",
        "blood": None if scenario.blood is None else asdict(scenario.blood.record()),
        "choices": None if scenario.blood is None else asdict(scenario.blood.choice_record()),
        "wells": [
            _well(scenario, i, well, pushes, known.get(well.name))
            for i, (well, pushes) in enumerate(zip(wells, record, strict=True))
        ],
        "contrasts": contrasts,
        "faults": [f.model_dump(mode="json") for f in scenario.fault],
    }


def _known(scenario: Scenario, wells: list[VirtualWell], assay: AssayDocument) -> dict[str, TrueWell]:
    times = {well.name: scenario.push_times(i) for i, well in enumerate(wells)}
    return known_wells(
        {well.name: scenario.well_record(i) for i, well in enumerate(wells)},
        {well.name: well.course for well in wells},
        {name: (t[0], t[-1]) for name, t in times.items()},
        assay.definitions(),
        frequency=assay.settings.stated_frequency,
    )


def _read(assay: str | None) -> AssayDocument | None:
    """The assay document; None where there is none or it cannot be used."""
    try:
        return None if assay is None else load_assay(assay, "assay")
    except DocumentError:
        return None


def _told(found: Estimate) -> dict[str, Any]:
    return {key: value for key, value in found.as_dict().items() if key != "systematic"}


def _well(
    scenario: Scenario, index: int, well: VirtualWell, pushes: list[PushTruth], known: TrueWell | None
) -> dict[str, Any]:
    course = well.course
    curve = course.modulus(np.arange(0.0, pushes[-1].time + 1.0, 1.0))
    columns = {f"{key}{_SUFFIX.get(key, '')}": [asdict(p)[key] for p in pushes] for key in asdict(pushes[0])}
    contents = scenario.contents_record(index)
    return {
        "name": well.name,
        "gelation_start_s": course.start if math.isfinite(course.start) and course.start >= 0 else None,
        "liquid_viscosity_pa_s": float(course.viscosity(0.0)) if course.start > 0 else None,
        **_readings(None if known is None else known.readings),
        "speckle_deviation": None,
        "geometry": asdict(well.geometry),
        "contents": None if contents is None else asdict(contents),
        **_cause(course),
        "pushes": columns,
        "curve": {"time_step_s": 1.0, "modulus_pa": [float(f"{g:.8g}") for g in curve]},
    }


def _readings(found: Mapping[str, Estimate] | None) -> dict[str, Any]:
    """Values by key with its unit, and what there is instead of a value."""
    if found is None:
        return {"readings": None, "without_value": None}
    return {
        "readings": {f"{key}{_UNIT_SUFFIX[one.unit]}": one.value for key, one in found.items()},
        "without_value": {key: _told(one) for key, one in found.items() if one.value is None},
    }


def _cause(course: Course) -> dict[str, Any]:
    """What a course in closed form was made from."""
    if isinstance(course, Growth):
        return {"growth": {k: v for k, v in asdict(course).items() if np.isfinite(v)}}
    if isinstance(course, Gel):
        return {"gel": {**asdict(course.substance), "frequency": course.frequency}}
    return {}
