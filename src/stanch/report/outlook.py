"""Forecasts as text and as JSON; both say that they are no readings and what the prior was learnt from."""

from __future__ import annotations

import json
import textwrap
from typing import Any

from stanch.estimate import Estimate
from stanch.outlook import Outlook, OutlookRow
from stanch.quantities import QUANTITIES
from stanch.report.numbers import number
from stanch.report.surface import CAUTIONS, label, printable

__all__ = ["OUTLOOK_COLUMNS", "OUTLOOK_SCHEMA", "outlook_json", "outlook_text"]

OUTLOOK_SCHEMA = "stanch.forecast/1"
OUTLOOK_COLUMNS = ("at", "well", "forecast", "value", "95 % interval", "ahead", "reading")
WIDTH = 110


def outlook_text(outlook: Outlook) -> str:
    """The forecasts for a terminal.

    Parameters
    ----------
    outlook : Outlook

    Returns
    -------
    str
    """
    rows = [tuple(OUTLOOK_COLUMNS), *(_cells(row) for row in outlook.rows)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    mark = "  [demo data]" if outlook.demo and "demo" not in outlook.sample else ""
    lines = [f"Forecasts, not readings: {outlook.sample}{mark}", ""]
    lines += [("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths))).rstrip() for row in rows]
    said = dict.fromkeys(
        row.forecast.estimate.why for row in outlook.rows if row.forecast.estimate.status == "unavailable"
    )
    lines += [""] if said else []
    for why in said:
        lines += textwrap.wrap(why, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    for paragraph in (*_origin(outlook), " ".join(CAUTIONS)):
        lines += ["", *textwrap.wrap(paragraph, WIDTH)]
    return printable("\n".join(lines))


def _origin(outlook: Outlook) -> list[str]:
    prior = outlook.prior
    said = [
        f"The prior was learnt from: {prior.origin.kind}: {prior.origin.words} (stanch {prior.origin.version}, "
        f"SHA-256 {prior.sha256[:12] or 'not stored'}). A forecast is as good as the samples are alike."
    ]
    if prior.origin.kind == "virtual population":
        said.append("Virtual blood teaches and tests an assay; it does not predict a patient.")
    if outlook.definitions != prior.definitions:
        said.append(
            "The assay document reads curves by other definitions than those the intervals were tried on, so they are "
            "less sure than they say."
        )
    said.append(
        "Wells are matched to those of the prior by the names of activator and additives; amounts and lots are not "
        "compared."
    )
    said.append(
        f"Plateau: highest two-minute mean by {prior.run / 60:g} min. Ahead: how long before the ordinary reading. "
        "A well that will not set in time counts as 0 Pa."
    )
    return said


def _surface(row: OutlookRow, estimate: Estimate) -> Estimate:
    unit = QUANTITIES[row.forecast.key].unit
    return estimate.scaled(unit)


def _cells(row: OutlookRow) -> tuple[str, ...]:
    forecast = row.forecast
    shown = number(label(forecast.key), _surface(row, forecast.estimate))
    reading = "not yet"
    if row.reading is not None and row.reading.status != "unavailable":
        seen = number("", _surface(row, row.reading))
        late = " (provisional)" if row.reading.status == "provisional" else ""
        reading = f"{seen.value} {seen.unit}".strip() + late
    ahead = "" if forecast.ahead is None else f"{forecast.ahead / 60:.0f} min"
    name = row.name if row.other else label(row.name)
    return (
        f"{forecast.now / 60:.1f} min",
        row.well,
        name,
        f"{shown.value} {shown.unit}".strip(),
        shown.interval,
        ahead,
        reading,
    )


def outlook_json(outlook: Outlook) -> str:
    """The forecasts as JSON, schema ``stanch.forecast/1``; SI units, no NaN or Infinity.

    Parameters
    ----------
    outlook : Outlook

    Returns
    -------
    str
    """
    prior = outlook.prior
    whole = {
        "schema": OUTLOOK_SCHEMA,
        "kind": "forecast, not a reading",
        "demo": outlook.demo,
        "software": outlook.software,
        "created": outlook.created,
        "recording": {"identity": outlook.identity, "source": outlook.source, "sample": outlook.sample},
        "assay": {"name": outlook.assay_name, "sha256": outlook.assay_sha256},
        "prior": {
            "origin": prior.origin.kind,
            "words": prior.origin.words,
            "version": prior.origin.version,
            "identities": list(prior.origin.identities),
            "sha256": prior.sha256 or None,
            "run_s": prior.run,
            "same_definitions": outlook.definitions == prior.definitions,
        },
        "forecasts": [_entry(row) for row in outlook.rows],
        "cautions": list(CAUTIONS),
    }
    return json.dumps(whole, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _entry(row: OutlookRow) -> dict[str, Any]:
    forecast = row.forecast
    return {
        "name": row.name,
        "key": forecast.key,
        "well": row.well,
        "other": row.other or None,
        "at_s": forecast.now,
        "estimate": forecast.estimate.as_dict(),
        "ahead_s": forecast.ahead,
        "analogues": forecast.effective,
        "misfit": forecast.misfit,
        "surprise": forecast.surprise,
        "phase": forecast.phase or None,
        "reading": None if row.reading is None else row.reading.as_dict(),
    }
