"""Readings and contrasts against limits: a point, its interval as a whisker, the limits behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stanch.estimate import Estimate
from stanch.figures.style import INK, MUTED, SERIES, SHADE, new_figure, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["TITLES", "Row", "readings_figure"]

TITLES = ("reference limits", "decision limit", "critical limit")


@dataclass(frozen=True)
class Row:
    """One number with its limits, all in the unit of its estimate.

    Parameters
    ----------
    panel : str
        Rows of one panel share an axis: the quantity and its unit.
    name : str
        Of the well or the contrast.
    estimate : Estimate
        In surface units.
    reference, decision, critical : tuple of (float or None, float or None)
        Low and high ends; None where there is none [unit].
    """

    panel: str
    name: str
    estimate: Estimate
    reference: tuple[float | None, float | None] = (None, None)
    decision: tuple[float | None, float | None] = (None, None)
    critical: tuple[float | None, float | None] = (None, None)


def readings_figure(rows: Sequence[Row]) -> Figure | None:
    """Draw rows of points and whiskers, one panel per quantity.

    Parameters
    ----------
    rows : sequence of Row

    Returns
    -------
    matplotlib.figure.Figure or None
        None without rows.
    """
    panels: dict[str, list[Row]] = {}
    for row in rows:
        panels.setdefault(row.panel, []).append(row)
    if not panels:
        return None
    sizes = [len(group) for group in panels.values()]
    with styled():
        figure = new_figure(9.6, 0.7 + sum(0.34 * n + 0.62 for n in sizes))
        grid = figure.add_gridspec(len(panels), 1, height_ratios=[n + 0.9 for n in sizes])
        for place, (panel, group) in enumerate(panels.items()):
            _panel(figure.add_subplot(grid[place]), panel, group)
        _key(figure)
    return figure


def _panel(axes: Axes, panel: str, group: list[Row]) -> None:
    left, right = _span(group)
    for k, row in enumerate(group):
        y = len(group) - 1 - k
        low, high = row.reference
        if low is not None or high is not None:
            start, stop = (left if low is None else low), (right if high is None else high)
            axes.barh(y, stop - start, left=start, height=0.66, color=SHADE, lw=0, zorder=1)
        for ends, width, style in ((row.decision, 1.5, "-"), (row.critical, 1.5, (0, (1.5, 1)))):
            for x in ends:
                if x is not None:
                    axes.plot([x, x], [y - 0.36, y + 0.36], color=INK, lw=width, ls=style, zorder=2)
        _point(axes, y, row.estimate, left, right)
    axes.set_yticks(range(len(group)), [row.name for row in reversed(group)])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="y", visible=False)
    axes.set_ylim(-0.6, len(group) - 0.4)
    axes.set_xlim(left, right)
    axes.set_title(panel)


def _point(axes: Axes, y: int, e: Estimate, left: float, right: float) -> None:
    colour = SERIES[0]
    if e.status == "unavailable":
        axes.text(left, y, "  unavailable", color=MUTED, va="center", fontsize=8.5, style="italic")
        return
    low = e.low if e.low is not None else left
    high = e.high if e.high is not None else right
    axes.plot([low, high], [y, y], color=colour, lw=1.8, zorder=3, solid_capstyle="butt")
    for end, open_, mark in ((low, e.low is None, "<"), (high, e.high is None, ">")):
        shape = mark if open_ else "|"
        axes.plot([end], [y], shape, color=colour, ms=5 if open_ else 8, mew=1.6, zorder=3, clip_on=False)
    if e.value is not None:
        hollow = e.status == "provisional"
        axes.plot([e.value], [y], "o", ms=6, color=colour, mfc="none" if hollow else colour, zorder=4)


def _span(group: list[Row]) -> tuple[float, float]:
    numbers = [
        x
        for row in group
        for x in (row.estimate.value, row.estimate.low, row.estimate.high, *row.reference, *row.decision, *row.critical)
        if x is not None
    ]
    low, high = min([*numbers, 0.0]), max(numbers, default=1.0)
    return low - (0.06 * (high - low) if low < 0 else 0.0), high + 0.08 * max(high - low, 1e-9)


def _key(figure: Figure) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        Line2D([], [], color=SERIES[0], marker="o", lw=1.8, label="value and 95 % interval"),
        Patch(color=SHADE, label=TITLES[0]),
        Line2D([], [], color=INK, marker="|", ms=10, mew=1.5, lw=0, label=TITLES[1]),
        Line2D([], [], color=INK, marker="|", ms=10, mew=1.5, lw=0, label=TITLES[2], alpha=0.5),
    ]
    figure.legend(handles=handles[:3], loc="outside lower left", ncols=4)
