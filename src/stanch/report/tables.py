"""The result as four CSV tables; the unit is in the header or in its own column, an empty cell is "none"."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

from stanch.curve.records import Curve
from stanch.estimate import Estimate
from stanch.mechanics.rheology.records import Rheology
from stanch.pipeline import Result, WellResult
from stanch.report.surface import beside, contrast_surface, flag_words, label, reading_surface

__all__ = ["CONTRAST_COLUMNS", "CURVE_COLUMNS", "PUSH_COLUMNS", "READING_COLUMNS", "tables"]

PUSH_COLUMNS = (
    "well",
    "push",
    "time_s",
    "modulus_pa",
    "modulus_low_pa",
    "modulus_high_pa",
    "viscosity_pa_s",
    "viscosity_low_pa_s",
    "viscosity_high_pa_s",
    "force_n_per_m3",
    "coherence",
    "flag",
    "loss_tangent",
    "loss_tangent_low",
    "loss_tangent_high",
    "damping_ratio",
    "frequency_hz",
)
CURVE_COLUMNS = (
    "well",
    "time_s",
    "modulus_pa",
    "modulus_low_pa",
    "modulus_high_pa",
    "viscosity_pa_s",
    "viscosity_low_pa_s",
    "viscosity_high_pa_s",
    "loss_tangent",
    "loss_tangent_low",
    "loss_tangent_high",
    "frequency_hz",
)
_ESTIMATE = ("value", "low", "high", "systematic", "unit", "status", "why")
READING_COLUMNS = ("well", "name", "label", *_ESTIMATE, "frequency_hz")
CONTRAST_COLUMNS = ("name", "kind", "reading", "base", "other", *_ESTIMATE, "warnings", "frequency_hz")

Cell = str | int | float | None

_Z95 = 1.959963984540054


def tables(result: Result) -> dict[str, str]:
    """CSV texts by file name.

    Parameters
    ----------
    result : Result

    Returns
    -------
    dict of str to str
        ``pushes.csv``, ``curve.csv``, ``readings.csv``, ``contrasts.csv``; RFC 4180 with line feeds.
    """
    readings = (
        (one.well.name, r.key, label(r.key), *_cells(reading_surface(r)), result.frequency)
        for one in result.wells
        if one.readings is not None
        for r in one.readings.readings
    )
    contrasts = (
        (
            c.name,
            c.kind,
            c.key,
            c.base,
            c.other,
            *_cells(contrast_surface(c)),
            " ".join(c.warnings),
            result.frequency,
        )
        for one in result.contrasts
        for c in beside(one)
    )
    return {
        "pushes.csv": _csv(PUSH_COLUMNS, (row for one in result.wells for row in _pushes(one))),
        "curve.csv": _csv(CURVE_COLUMNS, (row for one in result.wells for row in _curve(one))),
        "readings.csv": _csv(READING_COLUMNS, readings),
        "contrasts.csv": _csv(CONTRAST_COLUMNS, contrasts),
    }


def _csv(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(x) for x in row])
    return sink.getvalue()


def _cell(value: Cell) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return repr(value) if isinstance(value, float) else str(value)


def _cells(estimate: Estimate) -> tuple[Cell, ...]:
    return tuple(estimate.as_dict()[name] for name in _ESTIMATE)


def _pushes(one: WellResult) -> Iterable[tuple[Cell, ...]]:
    m = one.moduli
    if m is None:
        return
    coherence = one.displacement.coherence if one.displacement is not None else None
    for k in range(m.push_time.size):
        words = flag_words(int(m.flags[k]))
        if not m.usable[k] and "refused" not in words.split():
            words = f"{words} unusable".strip()
        # Where a modulus of zero is not rejected there is no value, only its interval.
        modulus = float(m.modulus[k]) if m.zero_rejected[k] else None
        yield (
            one.well.name,
            k,
            float(m.push_time[k]),
            modulus,
            float(m.modulus_low[k]),
            float(m.modulus_high[k]),
            float(m.viscosity[k]),
            float(m.viscosity_low[k]),
            float(m.viscosity_high[k]),
            float(m.force[k]),
            float(coherence[k]) if coherence is not None else None,
            words,
            *_loss_of_push(m.rheology, k),
        )


def _curve(one: WellResult) -> Iterable[tuple[Cell, ...]]:
    c = one.curve
    if c is None:
        return
    for k in range(c.time.size):
        viscosity: tuple[Cell, ...] = (None, None, None)
        if c.viscosity is not None and c.viscosity_low is not None and c.viscosity_high is not None:
            viscosity = (float(c.viscosity[k]), float(c.viscosity_low[k]), float(c.viscosity_high[k]))
        yield (
            one.well.name,
            float(c.time[k]),
            float(c.modulus[k]),
            float(c.low[k]),
            float(c.high[k]),
            *viscosity,
            *_loss_of_curve(c, k),
        )


def _loss_of_push(rheology: Rheology | None, push: int) -> tuple[Cell, ...]:
    """Loss tangent with its interval, damping ratio, frequency; empty with Kelvin-Voigt."""
    if rheology is None:
        return (None,) * 5
    middle, sd = float(rheology.log_loss_tangent[push]), float(rheology.log_loss_tangent_sd[push])
    # A push into liquid may leave the upper end open by more than a number holds.
    ends = (math.exp(min(middle + z * sd, 300.0)) if math.isfinite(middle) else None for z in (0.0, -_Z95, _Z95))
    return (*ends, float(rheology.damping_ratio[push]), rheology.frequency)


def _loss_of_curve(c: Curve, k: int) -> tuple[Cell, ...]:
    if c.loss_tangent is None or c.loss_low is None or c.loss_high is None:
        return (None, None, None, c.frequency)
    return (float(c.loss_tangent[k]), float(c.loss_low[k]), float(c.loss_high[k]), c.frequency)
