"""Modulus against time: one line and one band per well, above zero only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stanch.curve.records import Curve
from stanch.figures.style import MUTED, direct_labels, height, new_figure, plain_log, series, styled, thinned
from stanch.pipeline import WellResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["TITLES", "modulus_figure"]

TITLES = ("Modulus, linear scale", "Modulus, logarithmic scale")
FLOOR = 1.0
"""Bottom of the logarithmic scale [Pa]."""


def modulus_figure(
    wells: Sequence[WellResult],
    *,
    log: bool = False,
    onset_modulus: float | None = None,
    hold: float | None = None,
    frequency: float | None = None,
    title: str | None = None,
) -> Figure:
    """Draw the posterior modulus curves of all wells.

    Parameters
    ----------
    wells : sequence of WellResult
        Wells without a curve are left out.
    log : bool
        Logarithmic scale, from 1 Pa.
    onset_modulus : float or None
        Drawn as a thin line [Pa].
    hold : float or None
        Marks the early modulus of each well, read at its own onset plus this [s].
    frequency : float or None
        At which the modulus is stated [Hz]; None where it is that of every frequency.
    title : str or None
        Instead of the name of the scale.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with styled():
        figure = new_figure(9.6, 4.3)
        axes = figure.add_subplot()
        drawn = [(k, one, one.curve) for k, one in enumerate(wells) if one.curve is not None and one.curve.time.size]
        for k, _, curve in drawn:
            look = series(k)
            shown = thinned(curve.time.size)
            minutes, floor = curve.time[shown] / 60.0, FLOOR / 10 if log else 0.0
            low, middle, high = (np.maximum(x[shown], floor) for x in (curve.low, curve.modulus, curve.high))
            axes.fill_between(minutes, low, high, color=look.colour, alpha=0.16, lw=0)
            axes.plot(minutes, middle, color=look.colour, ls=look.line)
        if onset_modulus is not None:
            axes.axhline(onset_modulus, color=MUTED, lw=0.8, ls=(0, (1, 2)))
        top = max((float(np.max(c.high)) for _, _, c in drawn), default=1.0)
        if log:
            plain_log(axes)
            axes.set_ylim(FLOOR, max(2 * top, 10 * FLOOR))
        else:
            axes.set_ylim(0.0, max(1.05 * top, FLOOR))
        end = max((float(c.time[-1]) for _, _, c in drawn), default=60.0) / 60.0
        axes.set_xlim(0.0, end)
        _marks(axes, drawn, hold)
        _names(axes, drawn)
        axes.set_title(TITLES[1 if log else 0] if title is None else title)
        axes.set_xlabel("Time since activation (min)")
        axes.set_ylabel("Modulus G' (Pa)" if frequency is None else f"Modulus G' at {frequency:g} Hz (Pa)")
    return figure


def _marks(axes: Axes, drawn: list[tuple[int, WellResult, Curve]], hold: float | None) -> None:
    """A short tick on the time axis at each onset, a small ring on the curve one hold later."""
    for k, one, curve in drawn:
        onset = _value(one, "onset")
        if onset is None:
            continue
        colour = series(k).colour
        axes.plot(
            [onset / 60.0], [0.0], "|", ms=9, mew=1.6, color=colour, transform=axes.get_xaxis_transform(), clip_on=False
        )
        if hold is not None and onset + hold <= curve.time[-1]:
            early = float(np.interp(onset + hold, curve.time, curve.modulus))
            axes.plot([(onset + hold) / 60.0], [early], "o", ms=4.5, mew=1.1, mfc="none", color=colour)


def _value(one: WellResult, key: str) -> float | None:
    if one.readings is None:
        return None
    found = next((r for r in one.readings.readings if r.key == key), None)
    return None if found is None else found.estimate.value


def _names(axes: Axes, drawn: list[tuple[int, WellResult, Curve]]) -> None:
    """Names of the wells at the end of their lines."""
    ends = []
    for k, one, curve in drawn:
        ends.append((height(axes, max(float(curve.modulus[-1]), 1e-6)), one.well.name, series(k).colour))
    direct_labels(axes, ends)
