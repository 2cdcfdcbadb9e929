"""Loss tangent against time, on a logarithmic scale, with the line at 1 that marks the gel time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stanch.figures.style import INK, direct_labels, height, new_figure, plain_log, series, styled, thinned, ticks_1_2_5
from stanch.pipeline import WellResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["TITLE", "loss_tangent_figure"]

TITLE = "Loss tangent G''/G' at {frequency:g} Hz"
CEILING = 30.0
"""Top of the scale: above it a push cannot tell a loss tangent from that of a liquid [-]."""


def loss_tangent_figure(wells: Sequence[WellResult]) -> Figure | None:
    """Draw the loss tangent of all wells; a ring at 1 marks each gel time, its interval a bar.

    Parameters
    ----------
    wells : sequence of WellResult

    Returns
    -------
    matplotlib.figure.Figure or None
        None where no well has a loss tangent.
    """
    drawn = [
        (k, one, one.curve)
        for k, one in enumerate(wells)
        if one.curve is not None and one.curve.loss_tangent is not None
    ]
    if not drawn:
        return None
    with styled():
        figure = new_figure(9.6, 3.8)
        axes = figure.add_subplot()
        ends, lowest = [], 0.5
        for k, one, curve in drawn:
            if curve.loss_tangent is None or curve.loss_low is None or curve.loss_high is None:
                continue
            look, shown = series(k), thinned(curve.time.size)
            minutes, middle = curve.time[shown] / 60.0, curve.loss_tangent[shown]
            axes.fill_between(
                minutes, curve.loss_low[shown], curve.loss_high[shown], color=look.colour, alpha=0.14, lw=0
            )
            axes.plot(minutes, middle, color=look.colour, ls=look.line)
            lowest = min(lowest, float(np.quantile(middle, 0.02)))
            ends.append((float(middle[-1]), one.well.name, look.colour))
            found = (
                None if one.readings is None else next((r for r in one.readings.readings if r.key == "gel_time"), None)
            )
            if found is not None and found.estimate.value is not None:
                low, value, high = (
                    x / 60.0 if x is not None else found.estimate.value / 60.0
                    for x in (found.estimate.low, found.estimate.value, found.estimate.high)
                )
                axes.plot([low, high], [1.0, 1.0], color=look.colour, lw=3.0, solid_capstyle="butt", zorder=3)
                axes.plot([value], [1.0], "o", ms=5.5, mew=1.3, mfc="none", color=look.colour, zorder=4)
        axes.axhline(1.0, color=INK, lw=0.9)
        plain_log(axes)
        axes.set_ylim(max(0.6 * lowest, 1e-3), CEILING)
        axes.set_xlim(0.0, max(float(c.time[-1]) for _, _, c in drawn) / 60.0)
        ticks_1_2_5(axes)
        direct_labels(axes, [(height(axes, value), name, colour) for value, name, colour in ends])
        frequency = next((c.frequency for _, _, c in drawn if c.frequency is not None), 0.0)
        axes.set_title(TITLE.format(frequency=frequency))
        axes.set_xlabel("Time since activation (min)")
        axes.set_ylabel("Loss tangent (1)")
    return figure
