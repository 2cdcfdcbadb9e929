"""Damping ratio against time: whether the fitted medium rings or creeps. A quality curve; nothing is read from it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.figures.style import MUTED, new_figure, plain_log, series, styled, thinned, ticks_1_2_5
from stanch.pipeline import WellResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["TITLE", "damping_figure", "running_median"]

Floats = NDArray[np.float64]

TITLE = "Damping ratio of the slowest mode"
SPAN = 5
"""Pushes in the running median [-]."""


def running_median(values: Floats, span: int = SPAN) -> Floats:
    """Medians of `span` neighbours, fewer at the ends.

    Parameters
    ----------
    values : ndarray, shape (push,)
        [-].
    span : int
        Odd [-].

    Returns
    -------
    ndarray, shape (push,)
        [-].
    """
    if values.size == 0:
        return values
    padded = np.pad(values, span // 2, mode="constant", constant_values=np.nan)
    return np.asarray(np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, span), axis=1))


def damping_figure(wells: Sequence[WellResult]) -> Figure | None:
    """Draw the damping ratio of the pushes of all wells.

    Parameters
    ----------
    wells : sequence of WellResult

    Returns
    -------
    matplotlib.figure.Figure or None
        None where no push was fitted with a richer rheology.
    """
    drawn = []
    for k, one in enumerate(wells):
        if one.moduli is None or one.moduli.rheology is None:
            continue
        ratio = one.moduli.rheology.damping_ratio
        keep = np.flatnonzero(one.moduli.usable & np.isfinite(ratio) & (ratio > 0.0))
        if keep.size:
            drawn.append((k, one.well.name, one.moduli.push_time[keep] / 60.0, ratio[keep]))
    if not drawn:
        return None
    with styled():
        figure = new_figure(9.6, 2.6)
        axes = figure.add_subplot()
        for k, name, minutes, ratio in drawn:
            look, shown = series(k), thinned(minutes.size)
            axes.plot(minutes[shown], running_median(ratio)[shown], color=look.colour, ls=look.line, lw=1.2, label=name)
        axes.axhline(1.0, color=MUTED, lw=0.8)
        plain_log(axes)
        ticks_1_2_5(axes)
        axes.set_xlim(0.0, max(float(minutes[-1]) for _, _, minutes, _ in drawn))
        axes.set_title(TITLE)
        axes.set_xlabel("Time since activation (min)")
        axes.set_ylabel("Damping ratio (1)")
        axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5))
    return figure
