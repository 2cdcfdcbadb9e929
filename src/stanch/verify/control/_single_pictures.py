"""Pictures of single control results, as data."""

from __future__ import annotations

from typing import Any

from stanch.verify.control._common import chart_layers, thin, thin_note
from stanch.verify.control._level import ControlLevel
from stanch.verify.records import Level, Line, Picture, Points


def pictures(levels: list[ControlLevel], s: dict[str, Any]) -> tuple[Picture, ...]:
    """Charts of one level, or all levels together, and the cumulative sums."""
    unit = s["unit"] or "-"
    if len(levels) == 1:
        v = levels[0]
        lines = chart_layers(v.chart)
        split = v.base.argmin() + 0.5 if not v.base.all() and v.base[: v.base.argmin()].all() else None
        mark = () if split is None else (Level(float(split), "end of baseline", axis="x", kind="warning"),)
        outside = int(v.chart.signal.sum())
        results = Picture(
            "Control results",
            "result in time order [-]",
            f"{s['result']} [{unit}]",
            (*lines, *mark),
            f"Limits at {s['width']:g} standard deviations." + thin_note(v.chart.value.size),
            f"{v.chart.value.size} control results, {outside} outside the limits.",
        )
        pictures = [results]
        if v.ranges is not None:
            pictures.append(
                Picture(
                    "Moving ranges",
                    "pair of neighbours in time order [-]",
                    f"range [{unit}]",
                    chart_layers(v.ranges, label="moving ranges"),
                    "Range of each result and the one before." + thin_note(v.ranges.value.size),
                    f"{int(v.ranges.signal.sum())} moving ranges above their limit.",
                )
            )
        pictures.append(
            Picture(
                "Weighted averages (EWMA)",
                "result in time order [-]",
                f"average [{unit}]",
                chart_layers(v.average, label="EWMA"),
                f"Weight {s['ewma_weight']:g}, {s['ewma_limits']} limits." + thin_note(v.average.value.size),
                f"{int(v.average.signal.sum())} weighted averages outside their limits.",
            )
        )
    else:
        pictures = [_together(levels, s)]
    pictures.append(_sums_picture(levels, s))
    return tuple(pictures)


def _together(levels: list[ControlLevel], s: dict[str, Any]) -> Picture:
    layers: list[Any] = []
    for i, v in enumerate(levels):
        place = thin(v.chart.signal, max(2, 2000 // len(levels)))
        z = (v.chart.value[place] - v.chart.centre) / v.chart.sigma
        layers.append(Points(tuple((v.rows[place] + 1.0).tolist()), tuple(z.tolist()), v.name, series=i))
    layers.append(Level(0.0, "mean", kind="mean"))
    layers += [Level(sign * s["width"], "limit") for sign in (-1, 1)]
    outside = sum(int(v.chart.signal.sum()) for v in levels)
    return Picture(
        "Control results of all levels",
        "result in time order [-]",
        "result [SD from the mean]",
        tuple(layers),
        "Each level in its own standard deviations." + thin_note(sum(v.rows.size for v in levels)),
        f"{len(levels)} levels, {outside} results outside the limits.",
    )


def _sums_picture(levels: list[ControlLevel], s: dict[str, Any]) -> Picture:
    layers: list[Any] = []
    for i, v in enumerate(levels):
        place = thin(v.sums.signal_high | v.sums.signal_low, max(2, 1000 // len(levels)))
        x = tuple((place + 1.0).tolist())
        tail = f", {v.name}" if len(levels) > 1 else ""
        layers.append(Line(x, tuple((v.sums.high[place] / v.chart.sigma).tolist()), f"upward{tail}", series=2 * i))
        layers.append(
            Line(x, tuple((-v.sums.low[place] / v.chart.sigma).tolist()), f"downward{tail}", series=2 * i + 1)
        )
    h = s["cusum_h"]
    layers += [Level(0.0, kind="zero"), Level(h, "decision limit"), Level(-h, "decision limit")]
    first = [v.sums.first for v in levels if v.sums.first is not None]
    return Picture(
        "Cumulative sums (CUSUM)",
        "result of the level in time order [-]",
        "sum [SD]",
        tuple(layers),
        f"Allowance {s['cusum_k']:g} SD, decision limit {h:g} SD; downward sums drawn below zero."
        + thin_note(max(v.rows.size for v in levels)),
        f"First signal at result {min(first)}." if first else "No sum passes its decision limit.",
    )
