"""The plates of the loss tangent and of the damping ratio, where a rheology richer than Kelvin-Voigt is in force."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stanch.pipeline import Result, WellResult
from stanch.report.numbers import number, shown
from stanch.report.plate import Plate, make_plate, plain, steps
from stanch.report.surface import reading_surface

__all__ = ["damping_plate", "loss_plate"]


def loss_plate(wells: Sequence[WellResult], frequency: float | None) -> Plate | None:
    """Loss tangent of all wells with a curve; none with Kelvin-Voigt, that is without a frequency [Hz]."""
    from stanch.figures.loss_tangent import loss_tangent_figure

    if frequency is None:
        return None
    at = f" at {frequency:g} Hz"
    return make_plate(
        "loss-tangent",
        f"Loss tangent{at} of every well, median and pointwise 95 % band. Above 1 the sample is more liquid than "
        "solid, below 1 more solid. Rings: gel time, thick bars: its 95 % interval. A push into liquid says only that "
        "the loss tangent is large.",
        f"Loss tangent{at} against time on a logarithmic scale, one line per well, with a line at 1. "
        + " ".join(_gelled(one) for one in wells),
        loss_tangent_figure(wells),
        ("Well", "Time (min)", f"Loss tangent{at}", "95 % band"),
        [row for one in wells for row in _loss_rows(one)],
    )


def _loss_rows(one: WellResult) -> list[tuple[str, ...]]:
    c = one.curve
    if c is None or c.loss_tangent is None or c.loss_low is None or c.loss_high is None:
        return []
    rows: list[tuple[str, ...]] = []
    for k in steps(c.time.size):
        middle, low, high = shown(float(c.loss_tangent[k]), float(c.loss_low[k]), float(c.loss_high[k]))
        rows.append((one.well.name, f"{c.time[k] / 60:.1f}", middle, f"{low} to {high}"))
    return rows


def _gelled(one: WellResult) -> str:
    """The gel time in one sentence; empty where there is no reading of it."""
    found = None if one.readings is None else next((r for r in one.readings.readings if r.key == "gel_time"), None)
    return "" if found is None else f"{one.well.name}: gel time {plain(number('', reading_surface(found)))}."


def damping_plate(result: Result) -> Plate | None:
    """Damping ratio of the pushes, a quality curve; none with Kelvin-Voigt."""
    from stanch.figures.damping import damping_figure

    rows: list[tuple[str, ...]] = []
    for one in result.wells:
        m = one.moduli
        if m is None or m.rheology is None:
            continue
        for k in steps(m.push_time.size):
            ratio = float(m.rheology.damping_ratio[k])
            said = f"{ratio:.3g}" if m.usable[k] and math.isfinite(ratio) else "none"
            rows.append((one.well.name, f"{m.push_time[k] / 60:.1f}", said))
    return make_plate(
        "damping",
        "Damping ratio of the slowest mode of the well, running median of five pushes: below 1 the sample rings after "
        "a push, at 1 it creeps back. It depends on the well as much as on the sample; nothing is read from it.",
        "Damping ratio against time on a logarithmic scale, one line per well, with a line at 1.",
        damping_figure(result.wells),
        ("Well", "Time (min)", "Damping ratio"),
        rows,
    )
