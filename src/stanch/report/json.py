"""The result as JSON: ``schema = "stanch.result/1"``; numbers in surface units, never NaN or infinity."""

from __future__ import annotations

import json
from typing import Any

from stanch.estimate import Estimate
from stanch.findings.records import Finding, QualitySign
from stanch.pipeline import Result, WellResult
from stanch.readings.records import Contrast, Reading
from stanch.report.surface import CAUTIONS, beside, contrast_surface, label, reading_surface

__all__ = ["SCHEMA", "as_dict", "dumps"]

SCHEMA = "stanch.result/1"


def as_dict(result: Result) -> dict[str, Any]:
    """The result as plain values.

    Parameters
    ----------
    result : Result

    Returns
    -------
    dict
        Of strings, numbers, lists and None; see ``docs/reference/result-json.md``.
    """
    assay = None
    if result.assay_name is not None:
        assay = {"name": result.assay_name, "hash": result.assay_sha256, "source": result.assay_source}
    return {
        "schema": SCHEMA,
        "recording": {"identity": result.identity, "state": result.state},
        "sample": {"name": result.sample.sample, "role": result.sample.role, "demo": result.sample.demo},
        "assay": assay,
        "rheology": {"model": result.rheology, "frequency_hz": result.frequency},
        "wells": [_well(one, result.frequency) for one in result.wells],
        "contrasts": [_contrast(one, result.frequency) for one in result.contrasts],
        "findings": [_finding(one) for one in result.findings],
        "not_assessed": list(result.not_assessed),
        "cannot_see": list(result.cannot_see),
        "quality": [_sign(one) for one in result.quality],
        "cautions": list(CAUTIONS),
        "seed": result.seed,
        "software": result.software,
        "created": result.created,
    }


def dumps(result: Result) -> str:
    """The result as JSON text, two spaces deep, ending in a line feed.

    Parameters
    ----------
    result : Result

    Returns
    -------
    str
    """
    return json.dumps(as_dict(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _numbers(name: str, shown: str, estimate: Estimate, frequency: float | None) -> dict[str, Any]:
    return {"name": name, "label": shown, **estimate.as_dict(), "frequency_hz": frequency}


def _reading(one: Reading, frequency: float | None) -> dict[str, Any]:
    return _numbers(one.key, label(one.key), reading_surface(one), frequency)


def _well(one: WellResult, frequency: float | None) -> dict[str, Any]:
    pushes = None
    if one.moduli is not None:
        pushes = {"count": int(one.moduli.push_time.size), "usable": int(one.moduli.usable.sum())}
    return {
        "name": one.well.name,
        "activator": one.well.activator,
        "additives": [a.name for a in one.well.additives],
        "kind": one.kind,
        "pushes": pushes,
        "readings": [] if one.readings is None else [_reading(r, frequency) for r in one.readings.readings],
        "problems": list(one.problems),
        "not_checked": list(one.not_checked),
    }


def _contrast(one: Contrast, frequency: float | None) -> dict[str, Any]:
    spare = {c.name: contrast_surface(c).as_dict() for c in beside(one)[1:]}
    return {
        **_numbers(one.name, one.name, contrast_surface(one), frequency),
        "uncorrected": spare.get(f"{one.name}, uncorrected"),
        "difference_instead": spare.get(f"{one.name}, difference instead"),
        "kind": one.kind,
        "reading": one.key,
        "base": one.base,
        "other": one.other,
        "warnings": list(one.warnings),
    }


def _finding(one: Finding) -> dict[str, Any]:
    evidence = [
        {"of": e.of, "well": e.well or None, "limit": e.limit, "probability": e.probability, "source": e.source}
        for e in one.evidence
    ]
    return {
        "key": one.key,
        "group": one.group,
        "outcome": one.outcome,
        "text": one.text,
        "probability": one.probability,
        "evidence": evidence,
        "caution": one.caution,
        "suppressed": one.suppressed,
        "why": one.why,
        "depends_on": list(one.depends_on),
        "approved": one.approved,
    }


def _sign(one: QualitySign) -> dict[str, Any]:
    return {
        "key": one.key,
        "well": one.well or None,
        "consequence": one.consequence,
        "text": one.text,
        "pushes": list(one.pushes),
    }
