"""The figures of the report, each with its words and the table behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from stanch.figures.readings import Row
from stanch.pipeline import Result, WellResult
from stanch.quantities import UNITS
from stanch.report.examples import example_index
from stanch.report.loss_plates import loss_plate
from stanch.report.numbers import UNIT_SHOWN, number, show
from stanch.report.plate import Plate, make_plate, plain, steps
from stanch.report.surface import contrast_surface, label, modulus_words, reading_surface
from stanch.report.view import ExamplePush, reading_of

if TYPE_CHECKING:
    from stanch.readings.assay_records import AssayDocument, Limit

__all__ = ["Plate", "curve_plates", "limits_plate", "push_plates", "witness_plate"]


def curve_plates(result: Result, assay: AssayDocument | None) -> list[Plate]:
    """Modulus on both scales, and viscosity."""
    from stanch.figures.curves import modulus_figure
    from stanch.figures.viscosity import viscosity_figure

    drawn = [one for one in result.wells if one.curve is not None and one.curve.time.size]
    if not drawn:
        return []
    d = None if assay is None else assay.definitions()
    onset_modulus, hold = (None, None) if d is None else (d.onset_modulus, d.hold)
    frequency = result.frequency
    at = "" if frequency is None else f" at {frequency:g} Hz"
    columns = ("Well", "Time (min)", f"Modulus{at} (Pa)", "95 % band (Pa)")
    rows = [row for one in drawn for row in _curve_rows(one)]
    alt = f"Modulus{at} against time. " + " ".join(_told(one) for one in drawn)
    caption = f"{modulus_words(frequency)} of every well, median and pointwise 95 % band."
    if d is not None:
        caption += (
            f" Ticks on the time axis: onset. Rings: early modulus, {d.hold / 60:g} min after the well's own onset."
        )
    plates = [
        make_plate(
            "curve",
            caption,
            alt,
            modulus_figure(result.wells, onset_modulus=onset_modulus, hold=hold, frequency=frequency),
            columns,
            rows,
        ),
        make_plate(
            "curve-log",
            "The same on a logarithmic scale from 1 Pa: the liquid and the onset.",
            "The same curves on a logarithmic scale. " + alt,
            modulus_figure(result.wells, log=True, onset_modulus=onset_modulus, hold=hold, frequency=frequency),
            columns,
            rows,
        ),
        loss_plate(drawn, frequency),
        make_plate(
            "viscosity",
            "Viscosity of the Kelvin-Voigt medium, median and pointwise 95 % band."
            if frequency is None
            else f"Loss modulus over angular frequency{at}, as a viscosity, median and pointwise 95 % band.",
            "Viscosity against time on a logarithmic scale, one line per well.",
            viscosity_figure(result.wells),
            ("Well", "Time (min)", "Viscosity (Pa·s)", "95 % band (Pa·s)"),
            [row for one in drawn for row in _viscosity_rows(one)],
        ),
    ]
    return [p for p in plates if p is not None]


def _curve_rows(one: WellResult) -> list[tuple[str, ...]]:
    c = one.curve
    if c is None:
        return []
    rows: list[tuple[str, ...]] = []
    for k in steps(c.time.size):
        low, high = float(c.low[k]), float(c.high[k])
        band = f"{show(low, low, high)} to {show(high, low, high)}"
        rows.append((one.well.name, f"{c.time[k] / 60:.1f}", show(float(c.modulus[k]), low, high), band))
    return rows


def _viscosity_rows(one: WellResult) -> list[tuple[str, ...]]:
    c = one.curve
    if c is None or c.viscosity is None or c.viscosity_low is None or c.viscosity_high is None:
        return []
    rows: list[tuple[str, ...]] = []
    for k in steps(c.time.size):
        low, high = float(c.viscosity_low[k]), float(c.viscosity_high[k])
        band = f"{show(low, low, high)} to {show(high, low, high)}"
        rows.append((one.well.name, f"{c.time[k] / 60:.1f}", show(float(c.viscosity[k]), low, high), band))
    return rows


def _told(one: WellResult) -> str:
    """A curve in one sentence."""
    c = one.curve
    if c is None:
        return ""
    top = int(c.modulus.argmax())
    text = f"{one.well.name}: highest {c.modulus[top]:.3g} Pa at {c.time[top] / 60:.0f} min"
    text += f", {c.modulus[-1]:.3g} Pa at the end, {c.time[-1] / 60:.0f} min"
    if one.readings is not None:
        onset = next((r for r in one.readings.readings if r.key == "onset"), None)
        if onset is not None:
            text += f"; onset {plain(number('', reading_surface(onset)))}"
    return text + "."


def limits_plate(result: Result, assay: AssayDocument | None) -> Plate | None:
    """Readings and contrasts against limits."""
    from stanch.figures.readings import readings_figure

    if assay is None:
        return None
    rows: dict[tuple[str, str], Row] = {}
    for limit in assay.limits:
        if limit.kind == "accept":
            continue
        row = rows.get((limit.of, limit.well)) or _row(result, limit)
        if row is not None:
            rows[limit.of, limit.well] = _with(row, limit)
    groups = list(dict.fromkeys(row.panel for row in rows.values()))
    ordered = sorted(rows.values(), key=lambda row: groups.index(row.panel))
    told = [f"{row.panel}, {row.name}: {plain(number('', row.estimate))}" for row in ordered]
    table = [
        (
            row.panel,
            row.name,
            plain(n := number("", row.estimate)),
            n.interval,
            _ends(row.reference),
            _ends(row.decision),
        )
        for row in ordered
    ]
    return make_plate(
        "limits",
        "Readings and contrasts against the laboratory's limits: point, 95 % interval, reference limits shaded, "
        "decision limits as upright marks.",
        "Points with intervals against limits. " + "; ".join(told) + ".",
        readings_figure(ordered),
        ("Quantity", "Well or contrast", "Value", "95 % interval", "Reference limits", "Decision limit"),
        table,
    )


def _ends(ends: tuple[float | None, float | None]) -> str:
    low, high = ends
    if low is None and high is None:
        return "none"
    if high is None:
        return f"from {low:g}"
    return f"up to {high:g}" if low is None else f"{low:g} to {high:g}"


def _row(result: Result, limit: Limit) -> Row | None:
    if limit.well:
        reading = reading_of(result.wells, limit.well, limit.of)
        if reading is None:
            return None
        estimate, name, quantity = reading_surface(reading), limit.well, label(limit.of)
    else:
        contrast = next((c for c in result.contrasts if c.name == limit.of), None)
        if contrast is None:
            return None
        estimate, name, quantity = contrast_surface(contrast), contrast.name, "Contrasts"
    unit = UNIT_SHOWN.get(estimate.unit, estimate.unit)
    return Row(f"{quantity} ({unit})" if unit else quantity, name, estimate)


def _with(row: Row, limit: Limit) -> Row:
    """The row with a limit added, turned into the row's unit."""
    unit = UNITS[row.estimate.unit]
    low, high = (None if x is None else (x - unit.offset) / unit.scale for x in (limit.low, limit.high))
    if limit.kind == "reference":
        return replace(row, reference=(low, high))
    return replace(row, decision=(low, high)) if limit.kind == "decision" else replace(row, critical=(low, high))


def witness_plate(result: Result) -> Plate | None:
    """What the echoes say between pushes."""
    from stanch.figures.witness import witness_figure

    columns = ("Well", "Time (min)", "Coherence", "Shift since the push before (µm)")
    rows: list[tuple[str, ...]] = []
    for one in result.wells:
        d = one.displacement
        if d is None or one.kind != "echo":
            continue
        for k in steps(d.push_time.size):
            shift = f"{d.slow_shift[k] * 1e6:.2f}"
            rows.append((one.well.name, f"{d.push_time[k] / 60:.1f}", f"{d.slow_coherence[k]:.2f}", shift))
    return make_plate(
        "witness",
        "What the echoes say between pushes: near 0 while liquid, near 1 once set; a creeping shift is movement.",
        "Coherence of the echoes of consecutive pushes, and their slow shift, against time, one line per well.",
        witness_figure(result.wells),
        columns,
        rows,
    )


def push_plates(result: Result, assay: AssayDocument | None, raw: Mapping[str, ExamplePush]) -> list[tuple[str, Plate]]:
    """One opened push of every well that has displacement, by the name of the well."""
    from stanch.figures.push import push_figure

    hold = None if assay is None else assay.definitions().hold
    duration = None if result.acquisition is None else result.acquisition.push_duration
    plates = []
    for place, one in enumerate(result.wells):
        example = raw.get(one.well.name)
        onset = reading_of(result.wells, one.well.name, "onset")
        index = example_index(one, hold, None if onset is None else onset.estimate.value)
        index = example.index if example is not None else index
        if index is None:
            continue
        figure = push_figure(
            one,
            index,
            echo=None if example is None else example.echo,
            depth=None if example is None else example.depth,
            echo_time=None if example is None else example.frame_time,
            push_duration=duration,
        )
        words = _push_words(one, index)
        columns = ("Frame time (ms)", "Displacement (µm)", "SD (µm)", "Fit (µm)")
        plate = make_plate(f"push-{place}", words, words, figure, columns, _push_rows(one, index))
        if plate is not None:
            plates.append((one.well.name, plate))
    return plates


def _push_words(one: WellResult, index: int) -> str:
    d, m = one.displacement, one.moduli
    if d is None:
        return ""
    text = f"{one.well.name}, push {index}, {d.push_time[index] / 60:.2f} min after activation"
    if m is not None and m.usable[index]:
        low, high = float(m.modulus_low[index]), float(m.modulus_high[index])
        text += f": modulus {show(float(m.modulus[index]), low, high)} Pa ({show(low, low, high)} to "
        text += f"{show(high, low, high)} Pa), viscosity {m.viscosity[index]:.2g} Pa·s, reduced chi-squared "
        text += f"{m.reduced_chi2[index]:.2f}, peak strain {m.strain[index] * 100:.1f} %"
    return f"{text}; coherence {d.coherence[index]:.3f}, {d.estimator}."


def _push_rows(one: WellResult, index: int) -> list[tuple[str, ...]]:
    d, m = one.displacement, one.moduli
    if d is None:
        return []
    rows: list[tuple[str, ...]] = []
    for k in range(d.frame_time.size):
        if d.weight[index, k] <= 0:
            continue
        fit = "none" if m is None or m.fitted is None else f"{m.fitted[index, k] * 1e6:.3f}"
        rows.append(
            (
                f"{d.frame_time[k] * 1e3:.3f}",
                f"{d.value[index, k] * 1e6:.3f}",
                f"{d.sd[index, k] * 1e6:.3f}",
                fit,
            )
        )
    return rows
