"""Viscosity against time, on a logarithmic scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stanch.figures.style import new_figure, plain_log, series, styled, thinned
from stanch.pipeline import WellResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["TITLE", "viscosity_figure"]

TITLE = "Viscosity"


def viscosity_figure(wells: Sequence[WellResult]) -> Figure | None:
    """Draw the smoothed viscosity of all wells.

    Parameters
    ----------
    wells : sequence of WellResult

    Returns
    -------
    matplotlib.figure.Figure or None
        None where no well has a viscosity.
    """
    drawn = 0
    with styled():
        figure = new_figure(9.6, 3.2)
        axes = figure.add_subplot()
        for k, one in enumerate(wells):
            c = one.curve
            if c is None or c.viscosity is None or c.viscosity_low is None or c.viscosity_high is None:
                continue
            shown = thinned(c.time.size)
            shown = shown[c.viscosity[shown] > 0]
            if shown.size == 0:
                continue
            look, minutes, low = series(k), c.time[shown] / 60.0, np.maximum(c.viscosity_low[shown], 1e-5)
            axes.fill_between(minutes, low, c.viscosity_high[shown], color=look.colour, alpha=0.14, lw=0)
            axes.plot(minutes, c.viscosity[shown], color=look.colour, ls=look.line, label=one.well.name)
            drawn += 1
        if not drawn:
            return None
        plain_log(axes)
        axes.set_xlim(0.0, max(float(one.curve.time[-1]) for one in wells if one.curve is not None) / 60.0)
        axes.set_title(TITLE)
        axes.set_xlabel("Time since activation (min)")
        axes.set_ylabel("Viscosity (Pa·s)")
        axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5))
    return figure
