"""The truth file: what was put into every push, and the readings that a perfect analysis would find."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import UnitError
from stanch.quantities import parse_quantity
from stanch.version import __version__
from stanch.virtual.course import Course
from stanch.virtual.growth import Growth
from stanch.virtual.instrument import PushTruth, VirtualWell
from stanch.virtual.scenario import Scenario

__all__ = ["TRUTH_SCHEMA", "true_readings", "truth_document"]

Floats = NDArray[np.float64]

TRUTH_SCHEMA = "stanch.truth/1"

_SUFFIX = {
    "time": "_s",
    "modulus": "_pa",
    "viscosity": "_pa_s",
    "force": "_n_per_m3",
    "shift": "_m",
    "peak": "_m",
}


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
        The assay document, for its onset modulus, dwell and hold.

    Returns
    -------
    dict
        Ready for JSON.
    """
    document = scenario.model_dump(mode="json", by_alias=True)
    digest = hashlib.sha256(json.dumps(document, sort_keys=True).encode()).hexdigest()
    settings = _settings(assay)
    return {
        "schema": TRUTH_SCHEMA,
        "demo": scenario.demo,
        "note": "Demo data: invented, from a virtual instrument." if scenario.demo else "From a virtual instrument.",
        "scenario": {"name": scenario.name, "sha256": digest},
        "seed": scenario.seed,
        "software": f"stanch {__version__}",
        "wells": [_well(well, pushes, settings) for well, pushes in zip(wells, record, strict=True)],
        "faults": [f.model_dump(mode="json") for f in scenario.fault],
    }


def _well(well: VirtualWell, pushes: list[PushTruth], settings: dict[str, float] | None) -> dict[str, Any]:
    end = pushes[-1].time
    curve = well.course.modulus(np.arange(0.0, end + 1.0, 1.0))
    start = well.course.start
    columns = {f"{key}{_SUFFIX.get(key, '')}": [asdict(p)[key] for p in pushes] for key in asdict(pushes[0])}
    return {
        "name": well.name,
        "gelation_start_s": start if np.isfinite(start) and start >= 0 else None,
        "readings": None if settings is None else true_readings(well.course, end, **settings),
        "speckle_deviation": None,
        "geometry": asdict(well.geometry),
        **_cause(well.course),
        "pushes": columns,
        "curve": {"time_step_s": 1.0, "modulus_pa": [float(f"{g:.8g}") for g in curve]},
    }


def _cause(course: Course) -> dict[str, Any]:
    """What the course was made from."""
    if isinstance(course, Growth):
        return {"growth": {k: v for k, v in asdict(course).items() if np.isfinite(v)}}
    return {}


def true_readings(
    course: Course, end: float, *, onset_modulus: float, dwell: float, hold: float
) -> dict[str, float | None]:
    """Readings of a curve known without error.

    Parameters
    ----------
    course : Course
    end : float
        Of the run, since activation [s].
    onset_modulus : float
        [Pa].
    dwell, hold : float
        [s].

    Returns
    -------
    dict
        ``onset_s`` (first time with the modulus at or above `onset_modulus` for the dwell), ``early_modulus_pa`` (one
        hold after the well's own onset) and ``plateau_pa`` (highest two-minute mean); null where the run does not have
        it.
    """
    step = 0.1
    time = np.arange(0.0, end + step / 2, step)
    curve = course.modulus(time)
    onset = _first_run(curve >= onset_modulus, round(dwell / step))
    at = None if onset is None else float(time[onset])
    early = None if at is None or at + hold > end else float(course.modulus(at + hold))
    window = round(120.0 / step)
    plateau = None
    if curve.size > window:
        total = np.concatenate([[0.0], np.cumsum(curve)])
        plateau = float(((total[window:] - total[:-window]) / window).max())
    return {"onset_s": at, "early_modulus_pa": early, "plateau_pa": plateau}


def _first_run(high: NDArray[np.bool_], length: int) -> int | None:
    """First index from which `high` holds for `length` further ones."""
    changes = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]]).astype(int)))
    for begin, stop in zip(changes[::2], changes[1::2], strict=True):
        if stop - begin > length:
            return int(begin)
    return None


def _settings(assay: str | None) -> dict[str, float] | None:
    """What the assay document says about onset and hold; None if it does not, or cannot be read."""
    kinds = {"onset_modulus": "pressure", "dwell": "time", "hold": "time"}
    try:
        data = {"dwell": "60 s", **tomllib.loads(assay or "")}
        return {key: parse_quantity(data[key], kind, key) for key, kind in kinds.items()}
    except (tomllib.TOMLDecodeError, KeyError, UnitError):
        return None
