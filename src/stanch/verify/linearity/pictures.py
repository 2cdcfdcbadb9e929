"""Pictures of a linearity study, as data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.verify.linearity.deviation import Deviation
from stanch.verify.linearity.span import Span
from stanch.verify.records import Band, Layer, Level, Line, Picture, Points
from stanch.verify.scales import MARKS, every

__all__ = ["pictures"]

Floats = NDArray[np.float64]


def pictures(
    found: Deviation, x: Floats, y: Floats, span: Span | None, *, x_label: str, unit: str
) -> tuple[Picture, Picture]:
    """Results against level, and deviation against what is allowed.

    Parameters
    ----------
    found : Deviation
    x, y : ndarray, shape (reading,)
        Level and result [unit].
    span : Span or None
        The useful range.
    x_label : str
        With its unit in brackets.
    unit : str
        Of the results.

    Returns
    -------
    tuple of Picture
    """
    return _response(found, x, y, x_label, unit or "-"), _deviations(found, span, x_label, unit or "-")


def _response(found: Deviation, x: Floats, y: Floats, x_label: str, unit: str) -> Picture:
    keep, thinned = every(x.size, "reading")
    grid = np.linspace(found.levels.x[0], found.levels.x[-1], 101)
    layers: list[Layer] = [Points(_t(x[keep]), _t(y[keep]), "readings", faint=True)]
    if found.levels.x.size <= MARKS:
        layers.append(Points(_t(found.levels.x), _t(found.levels.mean), "level means"))
    layers.append(Line(_t(grid), _t(found.line.at(grid).value), "straight line", series=1))
    if found.orders:
        curve = found.orders[-1]
        layers.append(Line(_t(grid), _t(curve.fit.at(grid).value), f"polynomial of order {curve.order}", series=2))
    b0, b1 = (float(b) for b in found.line.coefficients)
    return Picture(
        "Results against level",
        x_label,
        f"result [{unit}]",
        tuple(layers),
        caption=f"Readings and the line that the deviations are counted from.{thinned}",
        alt=f"{found.levels.readings} readings at {found.levels.x.size} levels; line {b0:.4g} + {b1:.4g} × level.",
    )


def _deviations(found: Deviation, span: Span | None, x_label: str, unit: str) -> Picture:
    keep, _ = every(found.levels.x.size, "level")
    x, layers = found.levels.x[keep], list[Layer]()
    if found.allowed is not None:
        edge = found.allowed[keep]
        layers += [
            Line(_t(x), _t(-edge), "allowed", series=3),
            Line(_t(x), _t(edge), series=3),
        ]
    if found.judged:
        layers.append(Band(_t(x), _t(found.low[keep]), _t(found.high[keep]), f"{100 * found.confidence:g} % interval"))
    layers += [Points(_t(x), _t(found.deviation[keep]), "deviation"), Level(0.0, "straight line", kind="zero")]
    if span is not None and (span.first > 0 or span.last < found.levels.x.size - 1):
        layers += [
            Level(span.low, "useful range", axis="x", kind="warning"),
            Level(span.high, axis="x", kind="warning"),
        ]
    worst = found.at(found.worst)
    thinned = "" if keep.step == 1 else f" Every {keep.step}th level is drawn."
    return Picture(
        "Deviation from linearity",
        x_label,
        f"deviation from the line [{unit}]",
        tuple(layers),
        caption=f"What counts is how large the deviation is, not whether it is proven.{thinned}",
        alt=f"Largest deviation {worst.value:.4g} {unit} at level {found.levels.x[found.worst]:.4g}.",
    )


def _t(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)
