"""Pictures of the verification protocols: layers as data in, one figure in the house style out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from stanch.figures.style import (
    INK,
    MUTED,
    direct_labels,
    marker,
    new_figure,
    plain_log,
    series,
    styled,
)
from stanch.verify.records import Band, Bars, Level, Line, Picture, Points, Rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

__all__ = ["picture_figure"]

WIDTH = 9.6
STEPS = (1, 2, 5, 10)
LANE = 11  # height of a lane of names in points
MOST_LANES = 4
MOST_NAMES = 45
LEVELS: dict[str, tuple[str, float, Any]] = {
    "limit": (INK, 1.3, (0, (7, 2))),
    "mean": (INK, 1.0, "-"),
    "zero": (MUTED, 0.9, "-"),
    "warning": (MUTED, 1.2, (0, (2, 2))),
}


def picture_figure(picture: Picture) -> Figure:
    """Draw a picture.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    matplotlib.figure.Figure
    """
    rows = [layer for layer in picture.layers if isinstance(layer, Rows)]
    names = list(dict.fromkeys(name for layer in rows for name in layer.names))
    height = max(1.9 + 0.34 * len(names), 2.4) if rows else (6.0 if picture.equal else 4.6)
    with styled():
        figure = new_figure(WIDTH, height)
        axes = figure.add_subplot()
        _scales(axes, picture)
        _flat(axes, picture)
        for layer in picture.layers:
            if not isinstance(layer, Level | Rows):
                _draw(axes, layer)
        for k, layer in enumerate(rows):
            _rows(axes, layer, names, k, len(rows))
        if names:
            _row_names(axes, names, any(isinstance(one, Level) and one.label for one in picture.layers))
        for layer in picture.layers:
            if isinstance(layer, Level):
                _level(axes, layer)
        if picture.x_names:
            _x_names(axes, picture.x_names)
        axes.set_title(picture.title)
        axes.set_xlabel(picture.x_label)
        if not rows:
            axes.set_ylabel(picture.y_label)
        lanes = _lanes(axes, picture)
        if not rows:
            _strip(axes, picture, lanes)
        if picture.equal:
            _equal(axes)
        for axis, scale in ((axes.xaxis, picture.x_scale), (axes.yaxis, picture.y_scale)):
            if scale == "log":
                _between_decades(axis)
        _plain_steps(axes, picture, bool(rows))
        _level_names(axes, picture, lanes, 72 * height - 80)
        _legend(figure, axes, picture)
    return figure


def _scales(axes: Axes, picture: Picture) -> None:
    for axis, scale in (("x", picture.x_scale), ("y", picture.y_scale)):
        if scale == "log":
            _log(axes, "x" if axis == "x" else "y")


def _log(axes: Axes, axis: Literal["x", "y"]) -> None:
    plain_log(axes, axis)


def _flat(axes: Axes, picture: Picture) -> None:
    """Room around data that are all one value: Matplotlib warns or draws nothing useful there."""
    axes.margins(0.04)


def _draw(axes: Axes, layer: Points | Line | Band | Bars) -> None:
    look = series(layer.series)
    label = layer.label or "_nolegend_"
    if isinstance(layer, Points):
        size, alpha, fill = (3.2, 0.55, look.colour) if layer.faint else (5.2, 1.0, "none")
        axes.plot(
            layer.x,
            layer.y,
            ls="none",
            marker=marker(layer.series),
            ms=size,
            mew=0.0 if layer.faint else 1.2,
            mfc=fill,
            color=look.colour,
            alpha=alpha,
            label=label,
            zorder=2.2 if layer.faint else 3,
        )
    elif isinstance(layer, Line):
        style = "steps-post" if layer.step else "default"
        axes.plot(layer.x, layer.y, color=look.colour, ls=look.line, drawstyle=style, label=label, zorder=2.6)
    elif isinstance(layer, Band):
        axes.fill_between(layer.x, layer.low, layer.high, color=look.colour, alpha=0.16, lw=0, label=label, zorder=1.5)
    else:
        edges = np.asarray(layer.edges, dtype=float)
        axes.bar(
            edges[:-1],
            layer.heights,
            width=np.diff(edges),
            align="edge",
            color=(look.colour, 0.22),
            edgecolor=look.colour,
            ls=look.line,
            lw=0.9,
            label=label,
            zorder=2,
        )


def _rows(axes: Axes, layer: Rows, names: Sequence[str], which: int, of: int) -> None:
    look = series(which)
    shift = 0.0 if of == 1 else 0.44 * (which / (of - 1) - 0.5)
    left, right = _span(layer)
    for name, value, low, high in zip(layer.names, layer.values, layer.low, layer.high):
        y = names.index(name) + shift
        if value is None and low is None and high is None:
            axes.text(
                0.01, y, "not available", transform=axes.get_yaxis_transform(), color=MUTED, va="center", style="italic"
            )
            continue
        if low is not None or high is not None:
            start = left if low is None else low
            stop = right if high is None else high
            axes.plot([start, stop], [y, y], color=look.colour, lw=1.8, solid_capstyle="butt", zorder=3)
            for end, open_, mark in ((start, low is None, "<"), (stop, high is None, ">")):
                axes.plot(
                    [end], [y], mark if open_ else "|", color=look.colour, ms=5 if open_ else 8, mew=1.6, zorder=3
                )
        if value is not None:
            axes.plot([value], [y], marker(which), ms=6, color=look.colour, zorder=4)


def _span(layer: Rows) -> tuple[float, float]:
    known = [x for part in (layer.values, layer.low, layer.high) for x in part if x is not None]
    return min(known, default=0.0), max(known, default=1.0)


def _short(name: str, most: int = 48) -> str:
    """A name that leaves room for the picture; the tables have it in full."""
    return name if len(name) <= most else name[: most - 1] + "…"


def _row_names(axes: Axes, names: Sequence[str], named_levels: bool) -> None:
    axes.set_yticks(range(len(names)), [_short(name) for name in names])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="y", visible=False)
    axes.set_ylim(len(names) - 0.4, -1.4 if named_levels else -0.6)


def _between_decades(axis: Axis) -> None:
    """Numbers between the powers of ten where few of these are in view."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator, NullLocator

    low, high = axis.get_view_interval()
    decades = math.log10(high / low)
    if decades < 0.5:
        axis.set_major_locator(MaxNLocator(nbins=7, steps=list(STEPS)))
        axis.set_minor_locator(NullLocator())
        return
    shown = {2, 3, 5, 7} if decades < 1 else {2, 5} if decades < 2.5 else set()

    def text(value: float, _: int) -> str:
        mantissa = value / 10.0 ** math.floor(math.log10(value) + 1e-9)
        return f"{value:g}" if round(mantissa) in shown and abs(mantissa - round(mantissa)) < 1e-6 else ""

    axis.set_minor_formatter(FuncFormatter(text))


def _plain_steps(axes: Axes, picture: Picture, rows: bool) -> None:
    """Ticks in steps of 1, 2 or 5, whole numbers where bars count something."""
    from matplotlib.ticker import MaxNLocator

    bars = [layer for layer in picture.layers if isinstance(layer, Bars)]
    counted = bool(bars) and all(float(h).is_integer() for layer in bars for h in layer.heights)
    if picture.x_scale == "linear" and not picture.x_names:
        axes.xaxis.set_major_locator(MaxNLocator(nbins=9, steps=list(STEPS)))
    if picture.y_scale == "linear" and not rows:
        axes.yaxis.set_major_locator(MaxNLocator(nbins=9, steps=list(STEPS), integer=counted))


def _level(axes: Axes, layer: Level) -> None:
    colour, width, line = LEVELS[layer.kind]
    if layer.axis == "y":
        axes.axhline(layer.value, color=colour, lw=width, ls=line, zorder=2.4)
    elif not layer.label:
        axes.axvline(layer.value, color=colour, lw=width, ls=line, zorder=2.4)
    else:
        # Drawn once the lane of its name is known; here it only makes room along the axis.
        axes.update_datalim([(layer.value, axes.dataLim.y0)], updatey=False)
        axes.autoscale_view(scaley=False)


def _level_names(axes: Axes, picture: Picture, lanes: Sequence[tuple[Level, int, bool]], tall: float) -> None:
    """Names of levels: beside the axes for level lines, in lanes below the top for upright ones.

    An upright line ends at its own name, so that it crosses no name of a higher lane; `tall` is about the height of the
    axes in points.
    """
    ends = [
        (_place(axes, layer), layer.label, LEVELS[layer.kind][0])
        for layer in picture.layers
        if isinstance(layer, Level) and layer.label and layer.axis == "y"
    ]
    if ends:
        direct_labels(axes, ends)
    for layer, lane, left in lanes:
        colour, width, line = LEVELS[layer.kind]
        top = 1.0 if lane == 0 else 1.0 - (3 + LANE * lane) / tall
        axes.axvline(layer.value, ymax=top, color=colour, lw=width, ls=line, zorder=2.4)
        axes.annotate(
            layer.label,
            xy=(_place(axes, layer), 1.0),
            xycoords="axes fraction",
            xytext=(-4 if left else 4, -4 - LANE * lane),
            textcoords="offset points",
            ha="right" if left else "left",
            va="top",
            color=colour,
            fontsize=8.5,
        )


def _place(axes: Axes, layer: Level) -> float:
    """Where a level lies on its axis, as a fraction of the axes."""
    corner = axes.get_xlim()[0], axes.get_ylim()[0]
    point = (layer.value, corner[1]) if layer.axis == "x" else (corner[0], layer.value)
    inside = axes.transAxes.inverted().transform(axes.transData.transform(point))
    return float(inside[0 if layer.axis == "x" else 1])


def _lanes(axes: Axes, picture: Picture) -> list[tuple[Level, int, bool]]:
    """For each named upright line, the lane of its name below the top of the axes, and whether it stands left of it."""
    named = [layer for layer in picture.layers if isinstance(layer, Level) and layer.label and layer.axis == "x"]
    spans: list[tuple[float, float, int]] = []
    placed = []
    wide = 0.6 if picture.equal else 0.8
    for at, layer in sorted(((_place(axes, layer), layer) for layer in named), key=lambda one: one[0]):
        # Letters of 8.5 points are about a sixteenth of an inch wide.
        long = (0.0625 * len(layer.label) + 0.1) / (wide * WIDTH)
        left = at + long > 1.0
        start, stop = (at - long, at) if left else (at, at + long)
        met = [lane for begin, end, lane in spans if begin < stop and start < end]
        lane = (max(met) + 1) % MOST_LANES if met else 0
        spans.append((start, stop, lane))
        placed.append((layer, lane, left))
    return placed


def _strip(axes: Axes, picture: Picture, lanes: Sequence[tuple[Level, int, bool]]) -> None:
    """Room above the data for the names of upright lines, so that no name crosses a bar, a mark or a line."""
    if not lanes:
        return
    share = (6 + LANE * (1 + max(lane for _, lane, _ in lanes))) / 250
    low, high = axes.get_ylim()
    if picture.y_scale == "log":
        axes.set_ylim(low, high * (high / low) ** (share / (1 - share)))
    else:
        axes.set_ylim(low, high + (high - low) * share / (1 - share))


def _x_names(axes: Axes, names: Sequence[str]) -> None:
    crowded = sum(len(name) + 2 for name in names) > 90
    every = range(0, len(names), -(-len(names) // MOST_NAMES) or 1)
    shown = [_short(names[k]) for k in every]
    axes.set_xticks(list(every), shown, rotation=45 if crowded else 0, ha="right" if crowded else "center")
    axes.grid(axis="x", visible=False)


def _equal(axes: Axes) -> None:
    low = min(axes.get_xlim()[0], axes.get_ylim()[0])
    high = max(axes.get_xlim()[1], axes.get_ylim()[1])
    axes.set_xlim(low, high)
    axes.set_ylim(low, high)
    axes.set_aspect("equal", adjustable="box", anchor="W")


def _legend(figure: Figure, axes: Axes, picture: Picture) -> None:
    handles, labels = axes.get_legend_handles_labels()
    seen: dict[str, Any] = {}
    for handle, label in zip(handles, labels):
        seen.setdefault(label, handle)
    # In the order of the picture's layers, not by kind of mark.
    order = [getattr(layer, "label", "") for layer in picture.layers if not isinstance(layer, Level)]
    names = sorted(seen, key=lambda name: order.index(name) if name in order else len(order))
    if names:
        figure.legend(
            [seen[name] for name in names],
            [_short(name) for name in names],
            loc="outside lower left",
            ncols=min(len(names), 4),
        )
