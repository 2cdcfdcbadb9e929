"""The calibration design: limits from a straight line."""

from __future__ import annotations

import numpy as np

from stanch.verify.detection import _parts as parts
from stanch.verify.detection._parts import Given, Part
from stanch.verify.detection.calibration import CalibrationLimits, calibration_limits
from stanch.verify.records import Band, Column, Definition, Grid, Layer, Level, Line, Picture, Points, Verdict
from stanch.verify.scales import every
from stanch.verify.table import Table, take

REFUSED = "A calibration line needs numbers: bounds are refused."


def from_calibration(table: Table, given: Given) -> Part:
    concentration, result = parts.needed(given, "concentration", "result")
    taken = take(table, numbers=(concentration, result), treatment=REFUSED)
    x, y, unit = taken.numbers[concentration], taken.numbers[result], given["unit"]
    found = calibration_limits(
        x,
        y,
        alpha=given["alpha"],
        beta=given["beta"],
        readings=given["readings"],
        k=given["k"],
        confidence=given["confidence"],
        unit=unit,
    )
    verdicts: tuple[Verdict, ...] = (
        parts.at_most("The critical value is low enough", found.critical, given["allowed_blank"], unit),
        parts.at_most("The limit of detection is low enough", found.detection, given["allowed_detection"], unit),
        parts.at_most(
            "The limit of quantitation is low enough", found.quantitation, given["allowed_quantitation"], unit
        ),
    )
    rows = (
        ("intercept", "signal", found.line.coefficient(0, level=given["confidence"])),
        ("slope", "signal per unit of concentration", found.line.coefficient(1, level=given["confidence"])),
        ("residual SD", "signal", found.line.residual_sd),
        ("residual SD over slope", unit, found.s_x0),
        ("critical value", unit, found.critical),
        ("limit of detection", unit, found.detection),
        ("limit of detection, non-central t", unit, found.detection_exact),
        ("limit of quantitation", unit, found.quantitation),
        ("p of a square term", "-", found.curvature_p),
    )
    return Part(
        title="Limits from the calibration line",
        design=(
            f"{found.line.n} calibration points; a sample is the mean of {found.readings} readings.",
            f"Straight line, equal scatter; alpha {found.alpha:g}, beta {found.beta:g}, k {found.k:g}.",
        ),
        data=taken.data,
        verdicts=verdicts,
        grids=(Grid("Calibration", (Column("quantity"), Column("unit"), Column("value")), rows),),
        pictures=(_picture(found, x, y, unit),),
        definitions=DEFINITIONS,
        numbers={
            "intercept": float(found.line.coefficients[0]),
            "slope": float(found.line.coefficients[1]),
            "residual_sd": found.line.residual_sd,
            "s_x0": found.s_x0,
            "critical_value": found.critical,
            "limit_of_detection": found.detection,
            "limit_of_detection_exact": found.detection_exact,
            "limit_of_quantitation": found.quantitation,
            "curvature_p": found.curvature_p,
        },
        warnings=_warnings(found, x),
    )


def _picture(found: CalibrationLimits, x: parts.Floats, y: parts.Floats, unit: str) -> Picture:
    pick, thinned = every(x.size, "point")
    grid = np.linspace(min(0.0, float(x.min())), float(x.max()), 101)
    line = found.line.at(grid, level=1 - 2 * found.alpha, reading=True, of=found.readings)
    layers: list[Layer] = [
        Band(
            parts.line(grid),
            parts.line(line.low),
            parts.line(line.high),
            f"one-sided {1 - found.alpha:.3g} limits of a sample",
        ),
        Line(parts.line(grid), parts.line(line.value), "calibration line"),
        Points(parts.line(x[pick]), parts.line(y[pick]), "calibration points", series=1),
    ]
    for name, limit in (
        ("critical value", found.critical),
        ("limit of detection", found.detection),
        ("limit of quantitation", found.quantitation),
    ):
        if limit.value is not None:
            layers.append(Level(limit.value, name, axis="x"))
    return Picture(
        "Calibration line and limits",
        f"concentration [{unit or '-'}]",
        "signal",
        tuple(layers),
        f"The critical value is where the line reaches the upper limit of a reading at zero.{thinned}",
        f"Critical value {parts.words(found.critical.value)}, limit of detection {parts.words(found.detection.value)}.",
    )


def _warnings(found: CalibrationLimits, x: parts.Floats) -> tuple[str, ...]:
    said = []
    if found.curvature_p is not None and found.curvature_p < 0.05:
        said.append(f"The points bend (p of a square term {found.curvature_p:.2g}); the limits take a straight line.")
    if found.detection.value is not None and float(x.max()) > 10 * found.detection.value > 0:
        said.append(
            "Calibration points reach beyond ten times the limit of detection; their scatter and bend may not be those"
            " near zero (rule of ten from memory)."
        )
    if found.line.residual_sd == 0:
        said.append("The points lie exactly on the line: limits of zero mean that no scatter was seen.")
    return tuple(said)


DEFINITIONS = (
    Definition(
        "critical value",
        "Residual SD over slope, times t(1 − alpha, n − 2), times sqrt(1/m + 1/n + mean²/Q).",
        "DIN 32645, calibration method, from memory",
    ),
    Definition(
        "limit of detection",
        "Critical value plus the same with t(1 − beta); twice the critical value when both are equal. Beside it the"
        " exact one by the non-central t distribution.",
        "DIN 32645 and ISO 11843-2, from memory",
    ),
    Definition(
        "limit of quantitation",
        "Concentration k times as large as the half width of its own 1 − alpha interval.",
        "DIN 32645, from memory",
    ),
)
