"""What an assay would read of a virtual sample, as text, JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator
from dataclasses import asdict, fields
from typing import Any

from stanch.estimate import Estimate
from stanch.quantities import UNITS
from stanch.readings.records import Reading
from stanch.report.lines import grid, without_value, wrapped
from stanch.report.numbers import UNIT_SHOWN, bare, number
from stanch.report.surface import CAUTIONS, contrast_surface, label, printable, reading_surface
from stanch.version import __version__
from stanch.virtual.blood_tables import UNITS_OF_BLOOD, shown_factor, shown_key
from stanch.virtual.expectation import Beside, Expectation, ExpectedWell

__all__ = ["CAUTION", "EXPECTED_COLUMNS", "SCHEMA", "as_csv", "as_dict", "dumps", "summary"]

SCHEMA = "stanch.expectation/1"

EXPECTED_COLUMNS = (
    "name",
    "label",
    "well",
    "value",
    "low",
    "high",
    "unit",
    "status",
    "limit",
    "kind",
    "place",
    "source",
    "why",
)

CAUTION = (
    "Virtual blood teaches and tests an assay; it does not predict a patient. "
    "These numbers are without measurement error."
)

_KELVIN_VOIGT_KEYS = ("gel_time", "onset_delay")
_NOT_READ = "Of the virtual sample; this assay fits a Kelvin-Voigt medium and does not read it."


def summary(found: Expectation) -> str:
    """What the assay would read, for a terminal.

    Parameters
    ----------
    found : Expectation

    Returns
    -------
    str
    """
    scenario, assay = found.scenario, found.assay
    lines = [f"Expected of {scenario.name}{'  [demo data]' if _demo(found) and 'demo' not in scenario.name else ''}"]
    lines.append(f"  Assay document: {assay.name}, version {assay.version}")
    lines += wrapped(_blood(found), "  ") if scenario.blood is not None else []
    rows, silent = [], []
    for well in found.wells:
        first = well.well.name
        for reading in well.readings.readings:
            if reading.estimate.status == "unavailable":
                silent.append((first or well.well.name, label(reading.key), reading.estimate.why))
                continue
            rows.append(
                (first, label(reading.key), _value(reading_surface(reading)), _places(_beside(found, well, reading)))
            )
            first = ""
        rows.append((first, "Lost by the end", _lost(well), ""))
    lines += ["", *grid(("well", "", "value", "beside the limits"), rows)]
    lines += without_value(silent, [well.well.name for well in found.wells])
    if assay.settings.stated_frequency is None:
        lines += wrapped("Gel time and onset delay: " + _NOT_READ[0].lower() + _NOT_READ[1:], "  ")
    if found.contrasts:
        shown = [
            (c.name, _value(contrast_surface(c)), _places(found.beside(c.name)), f"{c.base} | {c.other}")
            for c in found.contrasts
        ]
        lines += ["", "Contrasts", *grid(("", "value", "beside the limits", "wells"), shown)]
    if found.findings:
        lines += ["", "What the rules of the assay would say"]
        for finding in found.findings:
            text = f"{finding.text} {finding.why}".strip()
            if finding.outcome == "supports" and finding.caution:
                text += f" Caution: {finding.caution}"
            lines += wrapped(text, f"  {finding.group + ':':<11}")
    for title, items in (("Not assessed", found.not_assessed), ("This assay cannot see", found.cannot_see)):
        if items:
            lines += ["", title]
            for item in items:
                lines += wrapped(item, "  - ")
    lines += ["", *wrapped(" ".join((CAUTION, *CAUTIONS)), "")]
    return printable("\n".join(lines))


def as_dict(found: Expectation) -> dict[str, Any]:
    """What the assay would read as plain values, numbers in surface units.

    Parameters
    ----------
    found : Expectation

    Returns
    -------
    dict
        Ready for JSON.
    """
    scenario, assay = found.scenario, found.assay
    blood = scenario.blood
    return {
        "schema": SCHEMA,
        "demo": _demo(found),
        "scenario": {"name": scenario.name},
        "assay": {"name": assay.name, "version": assay.version, "hash": assay.sha256},
        "blood": None if blood is None else asdict(blood.record()),
        "choices": None if blood is None else asdict(blood.choice_record()),
        "wells": [_well(found, well) for well in found.wells],
        "contrasts": [
            {
                "name": c.name,
                "kind": c.kind,
                "reading": c.key,
                "base": c.base,
                "other": c.other,
                **_plain(contrast_surface(c)),
                "limits": [_limit(one) for one in found.beside(c.name)],
            }
            for c in found.contrasts
        ],
        "findings": [
            {"key": f.key, "group": f.group, "outcome": f.outcome, "text": f.text, "why": f.why, "caution": f.caution}
            for f in found.findings
        ],
        "not_assessed": list(found.not_assessed),
        "cannot_see": list(found.cannot_see),
        "cautions": [CAUTION, *CAUTIONS],
        "software": f"stanch {__version__}",
    }


def dumps(found: Expectation) -> str:
    """The same as JSON text, two spaces deep, ending in a line feed.

    Parameters
    ----------
    found : Expectation

    Returns
    -------
    str
    """
    return json.dumps(as_dict(found), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def as_csv(found: Expectation) -> str:
    """Every number, one row for each of its limits and one where it has none.

    Parameters
    ----------
    found : Expectation

    Returns
    -------
    str
        RFC 4180 with line feeds.
    """
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(EXPECTED_COLUMNS)
    for name, shown, well, estimate, limits in _numbers(found):
        plain = _plain(estimate)
        head = [name, shown, well, *(plain[key] for key in ("value", "low", "high", "unit", "status"))]
        for one in limits or (None,):
            said = ["", "", "", ""]
            if one is not None:
                said = [one.limit.text, one.limit.kind, one.place, one.limit.source]
            writer.writerow(["" if cell is None else cell for cell in (*head, *said, plain["why"])])
    return sink.getvalue()


def _numbers(found: Expectation) -> Iterator[tuple[str, str, str, Estimate, tuple[Beside, ...]]]:
    for well in found.wells:
        for reading in well.readings.readings:
            limits = _beside(found, well, reading)
            yield reading.key, label(reading.key), well.well.name, reading_surface(reading), limits
    for c in found.contrasts:
        yield c.name, c.name, "", contrast_surface(c), found.beside(c.name)


def _demo(found: Expectation) -> bool:
    return found.scenario.demo or found.assay.demo


def _blood(found: Expectation) -> str:
    """The sample in one line: what is stated of it, the rest being normal."""
    blood = found.scenario.blood
    assert blood is not None
    composition = blood.record()
    parts = []
    for one in fields(composition):
        if one.name == "factors":
            parts += [f"{shown_factor(name)} {100 * value:g} %" for name, value in composition.factors.items()]
        elif one.name in blood.model_fields_set:
            unit = UNITS[UNITS_OF_BLOOD[one.name]]
            value = getattr(composition, one.name) / unit.scale
            between = "·" if unit.text.startswith("10^") else " "
            parts.append(f"{shown_key(one.name)} {value:g}{between}{UNIT_SHOWN.get(unit.text, unit.text)}")
    return f"Blood: {', '.join(parts) if parts else 'normal'}"


def _value(estimate: Estimate) -> str:
    shown = number("", estimate)
    return f"{shown.value} {shown.unit}".strip()


def _places(limits: tuple[Beside, ...]) -> str:
    return "; ".join(f"{one.place} {one.limit.kind} ({one.limit.text})" for one in limits)


def _lost(well: ExpectedWell) -> str:
    return ", ".join(f"{bare(100 * share)} % {cause}" for cause, share in well.lost.items())


def _beside(found: Expectation, well: ExpectedWell, reading: Reading) -> tuple[Beside, ...]:
    return found.beside(reading.key, well.well.name)


def _plain(estimate: Estimate) -> dict[str, Any]:
    values = estimate.as_dict()
    return {key: values[key] for key in ("value", "low", "high", "unit", "status", "why")}


def _limit(one: Beside) -> dict[str, Any]:
    return {"kind": one.limit.kind, "limit": one.limit.text, "place": one.place, "source": one.limit.source}


def _well(found: Expectation, well: ExpectedWell) -> dict[str, Any]:
    index = next(i for i, table in enumerate(found.scenario.well) if table.name == well.well.name)
    contents = found.scenario.contents_record(index)
    curve = well.curve
    every = max(1, round(curve.time.size / 1800))
    return {
        "name": well.well.name,
        "contents": None if contents is None else asdict(contents),
        "gelation_start_s": well.start if math.isfinite(well.start) and well.start >= 0 else None,
        "liquid_viscosity_pa_s": well.liquid_viscosity,
        "readings": [
            {
                "name": r.key,
                "label": label(r.key),
                **_plain(reading_surface(r)),
                "limits": [_limit(one) for one in _beside(found, well, r)],
                "remark": _remark(found, r),
            }
            for r in well.readings.readings
        ],
        "lost": {f"{cause}_percent": 100 * share for cause, share in well.lost.items()},
        "curve": {
            "time_s": [float(t) for t in curve.time[::every]],
            "modulus_pa": [float(f"{g:.6g}") for g in curve.modulus[::every]],
        },
    }


def _remark(found: Expectation, reading: Reading) -> str:
    untold = found.assay.settings.stated_frequency is None and reading.key in _KELVIN_VOIGT_KEYS
    return _NOT_READ if untold else ""
