"""Pictures of discrimination: the curve, both groups with the cut-off, predictive values against prevalence."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stanch.verify.discrimination.accuracy import Accuracy, negative_predictive_value, positive_predictive_value
from stanch.verify.discrimination.curve import curve, sensitivity_band
from stanch.verify.discrimination.cutoff import CutOff
from stanch.verify.discrimination.marks import Floats, Marks
from stanch.verify.records import Band, Bars, Layer, Level, Line, Picture, Points
from stanch.verify.scales import MARKS, thinned

__all__ = ["curve_picture", "groups_picture", "predictive_picture"]

_MOST_CURVES = 4


def curve_picture(
    readings: Mapping[str, Marks], cutoffs: Mapping[str, CutOff], areas: Mapping[str, float], level: float
) -> Picture:
    """The receiver operating characteristic of each reading, the first with its band, cut-offs marked.

    Parameters
    ----------
    readings : mapping of str to Marks
    cutoffs : mapping of str to CutOff
    areas : mapping of str to float
        [-].
    level : float
        Of the band [-].

    Returns
    -------
    Picture
    """
    layers: list[Layer] = []
    thin = False
    for k, (name, found) in enumerate(list(readings.items())[:_MOST_CURVES]):
        points = curve(found)
        thin |= points.level.size > MARKS
        x = 100 * (1 - points.specificity)
        if k == 0:
            low, high = sensitivity_band(points, level=level)
            bx, bl, bh = thinned(x, 100 * low, 100 * high)
            layers.append(Band(bx, bl, bh, f"{100 * level:g} % interval at each cut"))
        cx, cy = thinned(x, 100 * points.sensitivity)
        layers.append(Line(cx, cy, f"{name} ({areas[name]:.3f})", k))
        if name in cutoffs:
            cut = cutoffs[name]
            layers.append(Points((100 * (1 - cut.specificity),), (100 * cut.sensitivity,), "" if k else "cut-off", k))
    layers.append(Line((0.0, 100.0), (0.0, 100.0), "no discrimination", 5))
    more = f" Only the first {_MOST_CURVES} are drawn." if len(readings) > _MOST_CURVES else ""
    more += f" Curves are thinned to {MARKS} corners." if thin else ""
    return Picture(
        "Receiver operating characteristic",
        "100 % − specificity [%]",
        "sensitivity [%]",
        tuple(layers),
        caption="Each corner is a cut between distinct readings; slanting stretches are ties between the groups. The "
        f"band holds cut by cut, not for the curve as a whole. Areas stand beside the names.{more}",
        alt="Areas under the curve: " + ", ".join(f"{name} {areas[name]:.3f}" for name in readings) + ".",
        equal=True,
    )


def groups_picture(name: str, found: Marks, cutoff: CutOff | None, unit: str) -> Picture:
    """Readings of both groups as histograms of shares, with the cut-off.

    Parameters
    ----------
    name : str
        Of the reading.
    found : Marks
    cutoff : CutOff or None
    unit : str

    Returns
    -------
    Picture
    """
    positive, negative = found.levels[found.positive], found.levels[found.negative]
    low, high = float(found.levels.min()), float(found.levels.max())
    if low == high:
        low, high = low - (abs(low) * 0.05 or 0.5), high + (abs(high) * 0.05 or 0.5)
    # Fine enough for the narrower group, which sits in one bar when a wide one sets the width.
    narrow = min(np.subtract(*np.quantile(part, (0.9, 0.1))) for part in (positive, negative))
    least = 4 * (high - low) / narrow if narrow > 0 else 0.0
    count = int(np.clip(max(2 * np.cbrt(positive.size + negative.size), least), 8, 60))
    edges = np.linspace(low, high, count + 1)
    layers: list[Layer] = [_bars(negative, edges, "negative group", 0), _bars(positive, edges, "positive group", 1)]
    said = "no cut-off"
    if cutoff is not None:
        layers.append(Level(cutoff.value, "cut-off", axis="x"))
        said = f"cut-off {cutoff.value:.4g} {unit}".strip()
    bounds = " Readings known only as bounds stand at their bound." if found.below or found.above else ""
    return Picture(
        f"Both groups: {name}",
        f"{name} [{unit or '-'}]",
        "share of the group [-]",
        tuple(layers),
        caption=f"Histograms as shares of each group.{bounds}",
        alt=f"{positive.size} positive and {negative.size} negative people, {said}.",
    )


def predictive_picture(named: Mapping[str, Accuracy], marked: tuple[float, ...], sample: float | None) -> Picture:
    """Predictive values against prevalence.

    Parameters
    ----------
    named : mapping of str to Accuracy
        The first one is drawn.
    marked : tuple of float
        Prevalences that were stated [-].
    sample : float or None
        Share of positive people in the table [-].

    Returns
    -------
    Picture
    """
    name, found = next(iter(named.items()))
    se, sp = found.sensitivity.value, found.specificity.value
    assert se is not None
    assert sp is not None
    prevalence = np.linspace(0.001, 0.999, 400)
    layers: list[Layer] = []
    for k, (label, values) in enumerate(
        (
            ("positive predictive value", positive_predictive_value(se, sp, prevalence)),
            ("negative predictive value", negative_predictive_value(se, sp, prevalence)),
        )
    ):
        known = np.isfinite(values)
        if known.any():
            layers.append(
                Line(tuple((100 * prevalence[known]).tolist()), tuple((100 * values[known]).tolist()), label, k)
            )
    layers += [Level(100 * p, "stated prevalence", axis="x", kind="mean") for p in marked[:3]]
    if sample is not None:
        layers.append(Level(100 * sample, "in this table", axis="x", kind="warning"))
    return Picture(
        f"Predictive values against prevalence: {name}",
        "prevalence [%]",
        "share of decisions that are right [%]",
        tuple(layers),
        caption="Sensitivity and specificity are held fixed; the same decision means different things where the "
        "prevalence differs.",
        alt=f"Sensitivity {se:.3f}, specificity {sp:.3f}; predictive values change with the prevalence.",
    )


def _bars(x: Floats, edges: Floats, label: str, series: int) -> Bars:
    counts = np.histogram(x, edges)[0] / x.size
    return Bars(tuple(edges.tolist()), tuple(counts.tolist()), label, series)
