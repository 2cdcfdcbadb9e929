"""The expected modulus curves of all wells, drawn as measured ones are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from stanch.curve.records import Curve
from stanch.figures.curves import modulus_figure
from stanch.result import WellResult
from stanch.virtual.expectation import Expectation, ExpectedWell

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["TITLE", "expectation_figure"]

TITLE = "Expected modulus, without measurement error"


def expectation_figure(found: Expectation, *, log: bool = False) -> Figure:
    """Draw the curves of an expectation.

    Parameters
    ----------
    found : Expectation
    log : bool
        Logarithmic scale, from 1 Pa.

    Returns
    -------
    matplotlib.figure.Figure
    """
    definitions = found.assay.definitions()
    demo = found.scenario.demo or found.assay.demo
    return modulus_figure(
        [_drawn(well) for well in found.wells],
        log=log,
        onset_modulus=definitions.onset_modulus,
        hold=definitions.hold,
        title=f"{TITLE}{' (demo data)' if demo else ''}",
    )


def _drawn(well: ExpectedWell) -> WellResult:
    g = well.curve.modulus
    line = Curve(well.curve.time, g, g, g, g[None, :], None, None, None, np.empty(0), 0, {})
    return WellResult(well.well, "modulus", None, None, None, line, well.readings)
