"""Pictures of an agreement study, as data."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.verify.agreement.cusum import CusumTest
from stanch.verify.agreement.lines import StraightLine
from stanch.verify.bins import bin_edges
from stanch.verify.records import Band, Bars, Bounded, Layer, Level, Line, Picture, Points

Floats = NDArray[np.float64]
MOST = 2000


def axis(name: str, unit: str) -> str:
    return f"{name} [{unit or '-'}]"


def thinned(n: int) -> tuple[NDArray[np.intp], str]:
    """Places of the points to draw, and the sentence for the caption."""
    if n <= MOST:
        return np.arange(n), ""
    chosen = np.sort(np.random.default_rng(1).choice(n, MOST, replace=False))
    return chosen, f" {MOST} of {n} points are drawn, picked at random; every number rests on all of them."


def numbers(values: Floats | Sequence[float]) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def scatter_picture(
    x: Floats,
    y: Floats,
    line: StraightLine,
    ordinary: StraightLine | None,
    unit: str,
    names: tuple[str, str] = ("x", "y"),
) -> Picture:
    """y against x with the fitted line, the identity and the ordinary line."""
    shown, thin = thinned(x.size)
    low, high = float(min(x.min(), y.min())), float(max(x.max(), y.max()))
    ends = np.array([float(x.min()), float(x.max())])
    layers: list[Layer] = [
        Points(numbers(x[shown]), numbers(y[shown]), "samples", faint=x.size > 200),
        Line((low, high), (low, high), "x = y", series=3),
        Line(numbers(ends), numbers(line.a + line.b * ends), line.method, series=1),
    ]
    if ordinary is not None:
        layers.append(Line(numbers(ends), numbers(ordinary.a + ordinary.b * ends), ordinary.method, series=2))
    return Picture(
        "Method y against method x",
        axis(names[0], unit),
        axis(names[1], unit),
        tuple(layers),
        caption="Each mark is one sample. Same length per unit on both axes. Ordinary least squares takes x to be "
        "free of "
        "error and is shown beside the fit that the result rests on." + thin,
        alt=f"{x.size} samples from {float(x.min()):.4g} to {float(x.max()):.4g} {unit}; slope {line.b:.4g}, "
        f"intercept {line.a:.4g} {unit}.",
        equal=True,
    )


def residual_picture(place: Floats, rest: Floats, name: str, unit: str, y_label: str, note: str = "") -> Picture:
    """Residuals along the measuring range."""
    shown, thin = thinned(place.size)
    return Picture(
        "Residuals of the line",
        axis(name, unit),
        y_label,
        (
            Points(numbers(place[shown]), numbers(rest[shown]), "samples", faint=place.size > 200),
            Level(0.0, "line", kind="zero"),
        ),
        caption="Scatter that grows along the axis speaks for errors proportional to the level; a bend speaks "
        "against a "
        "straight line." + note + thin,
        alt=f"Residuals from {float(rest.min()):.3g} to {float(rest.max()):.3g}.",
    )


def cusum_picture(test: CusumTest, critical: float, level: float) -> Picture:
    """Cumulative sum along the line with the bounds of the test."""
    n = test.path.size
    shown, thin = thinned(n)
    edge = critical * (test.below + 1) ** 0.5
    return Picture(
        "Cumulative sum along the line",
        "samples in order along the line [-]",
        "cumulative sum of the signs [-]",
        (
            Line(numbers(shown.astype(np.float64) + 1), numbers(test.path[shown]), "cumulative sum", step=True),
            Level(0.0, "", kind="zero"),
            Level(-edge, f"bound at {1 - level:.2g}", kind="limit"),
            Level(edge, f"bound at {1 - level:.2g}", kind="limit"),
        ),
        caption="Points above the line step up, points below step down. A path that leaves the bounds speaks against a "
        "straight line." + thin,
        alt=f"Largest cumulative sum {test.largest:.4g}, bound {edge:.4g}, p {test.p:.3g}.",
    )


def difference_picture(
    middle: Floats,
    d: Floats,
    bias: Bounded,
    lower: Bounded,
    upper: Bounded,
    labels: tuple[str, str],
    allowed: float | None,
    equal_line: float,
) -> Picture:
    """Differences against the means with bias, limits and their intervals."""
    shown, thin = thinned(middle.size)
    ends = (float(middle.min()), float(middle.max()))
    layers: list[Layer] = []
    for bounded, name in ((bias, "interval of the bias"), (lower, "interval of a limit"), (upper, "")):
        if bounded.low is not None and bounded.high is not None:
            layers.append(
                Band(
                    ends,
                    (bounded.low, bounded.low),
                    (bounded.high, bounded.high),
                    name,
                    series=1 if name[-4:] == "bias" else 2,
                )
            )
    layers.append(Points(numbers(middle[shown]), numbers(d[shown]), "samples", faint=middle.size > 200))
    layers.append(Level(equal_line, "no difference", kind="zero"))
    for bounded, name in ((bias, "bias"), (lower, "lower limit of agreement"), (upper, "upper limit of agreement")):
        if bounded.value is not None:
            layers.append(Level(bounded.value, name, kind="mean" if name == "bias" else "limit"))
    if allowed is not None:
        layers += [Level(-allowed, "allowed", kind="warning"), Level(allowed, "allowed", kind="warning")]
    found = ", ".join(
        f"{name} {'open' if b.value is None else format(b.value, '.4g')}"
        for b, name in ((lower, "lower limit"), (bias, "bias"), (upper, "upper limit"))
    )
    return Picture(
        "Differences between the methods",
        labels[0],
        labels[1],
        tuple(layers),
        caption="Each mark is one sample. Bands are the intervals of the bias and of the limits of agreement." + thin,
        alt=f"{d.size} differences; {found}.",
    )


def by_level_picture(
    middle: Floats, d: Floats, at: Floats, lines: dict[str, Floats], bands: dict[str, tuple[Floats, Floats]], unit: str
) -> Picture:
    """Differences with bias and limits that follow the level."""
    shown, thin = thinned(middle.size)
    layers: list[Layer] = [
        Band(numbers(at), numbers(low), numbers(high), name, series=1 if name.endswith("bias") else 2)
        for name, (low, high) in bands.items()
    ]
    layers.append(Points(numbers(middle[shown]), numbers(d[shown]), "samples", faint=middle.size > 200))
    layers.append(Level(0.0, "no difference", kind="zero"))
    layers += [Line(numbers(at), numbers(v), name, series=1 if name == "bias" else 2) for name, v in lines.items()]
    return Picture(
        "Differences between the methods, by level",
        axis("mean of both methods", unit),
        axis("y − x", unit),
        tuple(layers),
        caption="Bias and limits of agreement follow the level as straight lines; bands are their intervals." + thin,
        alt=f"{d.size} differences; bias from {lines['bias'][0]:.4g} to {lines['bias'][-1]:.4g} {unit} over the range.",
    )


def histogram_picture(d: Floats, label: str) -> Picture:
    """How the differences are distributed: the limits lean on a normal one."""
    bins = int(min(max(np.ceil(np.sqrt(d.size)), 5), 60))
    heights, edges = np.histogram(d, bins=bin_edges(float(d.min()), float(d.max()), bins))
    return Picture(
        "Distribution of the differences",
        label,
        "samples [-]",
        (Bars(numbers(edges), numbers(heights.astype(float)), "samples"),),
        caption="Limits of agreement from a standard deviation take the differences to be normally distributed; long "
        "tails or two humps speak for limits from ranks.",
        alt=f"{d.size} differences from {float(d.min()):.4g} to {float(d.max()):.4g}.",
    )
