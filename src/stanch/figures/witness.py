"""Echo witnesses: how the echoes of consecutive pushes hold together, and how far they have crept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.figures.style import MUTED, new_figure, series, styled
from stanch.pipeline import WellResult

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["TITLES", "crept", "witness_figure"]

Floats = NDArray[np.float64]

TITLES = ("Echo coherence from push to push", "Slow echo shift, added up while coherent")
COHERENT = 0.85
"""Lines of liquid blood reach 0.74 by chance."""


def crept(coherence: Floats, shift: Floats) -> Floats:
    """How far the echoes have crept: shifts between pushes added up where the lines hold together.

    Parameters
    ----------
    coherence, shift : ndarray, shape (push,)
        Coherence [-] and shift [m] since the push before.

    Returns
    -------
    ndarray, shape (push,)
        [m]; a push that holds together with neither neighbour's own pair adds nothing.
    """
    held = coherence >= COHERENT
    beside = np.r_[held[1:], False] | np.r_[False, held[:-1]]
    return np.asarray(np.cumsum(np.where(held & beside, shift, 0.0)))


def witness_figure(wells: Sequence[WellResult]) -> Figure | None:
    """Draw slow coherence and slow shift of all wells that hold echoes.

    Parameters
    ----------
    wells : sequence of WellResult

    Returns
    -------
    matplotlib.figure.Figure or None
        None where no well has echoes.
    """
    drawn = [
        (k, one, one.displacement)
        for k, one in enumerate(wells)
        if one.displacement is not None and one.kind == "echo" and one.displacement.push_time.size > 1
    ]
    if not drawn:
        return None
    with styled():
        figure = new_figure(9.6, 4.2)
        upper, lower = figure.subplots(2, 1, sharex=True)
        for k, one, d in drawn:
            look, minutes = series(k), d.push_time / 60.0
            upper.plot(minutes[1:], d.slow_coherence[1:], color=look.colour, ls=look.line, lw=1.2, label=one.well.name)
            lower.plot(minutes, crept(d.slow_coherence, d.slow_shift) * 1e6, color=look.colour, ls=look.line, lw=1.2)
        upper.set_ylim(-0.1, 1.05)
        upper.set_title(TITLES[0])
        upper.set_ylabel("Coherence (1)")
        lower.axhline(0.0, color=MUTED, lw=0.7)
        lower.set_title(TITLES[1])
        lower.set_ylabel("Shift (µm)")
        lower.set_xlabel("Time since activation (min)")
        lower.set_xlim(0.0, max(float(d.push_time[-1]) for _, _, d in drawn) / 60.0)
        upper.legend(loc="center left", bbox_to_anchor=(1.01, 0.0))
    return figure
