"""Pictures of the hold protocol."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.verify.hold.study import HoldResult, HoldStudy
from stanch.verify.records import Band, Bounded, Layer, Level, Line, Picture, Points
from stanch.verify.scales import thinned

__all__ = ["agreement_picture", "error_picture", "prediction_picture", "time_picture"]

Floats = NDArray[np.float64]


def _series(holds: Sequence[float], numbers: Sequence[Bounded], label: str, series: int) -> list[Layer]:
    kept = [(h, n) for h, n in zip(holds, numbers) if n.value is not None]
    x = tuple(h for h, _ in kept)
    value = tuple(float(n.value) for _, n in kept if n.value is not None)
    layers: list[Layer] = []
    closed = [(h, n.low, n.high) for h, n in kept if n.low is not None and n.high is not None]
    if closed:
        layers.append(
            Band(
                tuple(h for h, _, _ in closed),
                tuple(float(low) for _, low, _ in closed),
                tuple(float(high) for _, _, high in closed),
                "",
                series,
            )
        )
    layers.append(Line(x, value, label, series))
    return layers


def error_picture(found: HoldStudy, allowed: float | None, unit: str) -> Picture:
    """Prediction error along the hold.

    Parameters
    ----------
    found : HoldStudy
    allowed : float or None
        [%].
    unit : str
        Of holds.

    Returns
    -------
    Picture
    """
    judged = [one for one in found.holds if one.accuracy is not None]
    holds = [one.hold for one in judged]
    layers = [
        *_series(holds, [one.accuracy.ninety for one in judged if one.accuracy], "90 % of curves within", 0),
        *_series(holds, [one.accuracy.median for one in judged if one.accuracy], "half of curves within", 1),
    ]
    if allowed is not None:
        layers.append(Level(allowed, "allowed"))
    if found.smallest is not None:
        layers.append(Level(found.smallest, "smallest hold", "x", "mean"))
    words = "no hold is shown to be within the allowed error"
    if found.smallest is not None:
        words = f"from {found.smallest:g} {unit} on the error is within the allowed one"
    return Picture(
        "Error of the predicted plateau",
        f"hold after onset [{unit}]",
        "absolute error [%]",
        tuple(layers),
        caption="Out of sample: every donor predicted by the others. Bands: intervals; where a band is missing there "
        "are too few curves for an upper limit.",
        alt=f"Prediction error against hold; {words}." if allowed is not None else "Prediction error against hold.",
    )


def time_picture(found: HoldStudy, unit: str) -> Picture:
    """Availability and time saved along the hold, as shares and as time over the longest saved.

    Parameters
    ----------
    found : HoldStudy
    unit : str
        Of times.

    Returns
    -------
    Picture
    """
    holds = [one.hold for one in found.holds]
    saved = [one.saved for one in found.holds]
    shown = any(s.value is not None for s in saved)
    layers = _series(holds, saved, "median time saved", 0) if shown else []
    if not shown:
        layers = _series(holds, [one.available for one in found.holds], "share of curves with the reading", 0)
    layers.append(Level(0.0, "", kind="zero"))
    return Picture(
        "Time saved" if shown else "Curves that have the reading",
        f"hold after onset [{unit}]",
        f"time saved [{unit}]" if shown else "share [-]",
        tuple(layers),
        caption="Plateau entry minus onset and hold, median over curves; entries not reached within the run count as "
        "later than its end."
        if shown
        else "Share of all curves, those that never set or whose run ended included.",
        alt="Median time saved by hold." if shown else "Share of curves with the reading by hold.",
    )


def prediction_picture(
    one: HoldResult, plateau: Floats, hidden: NDArray[np.bool_], unit: str, time_unit: str
) -> Picture:
    """Predicted against found plateaus at one hold.

    Parameters
    ----------
    one : HoldResult
    plateau : ndarray, shape (curve,)
        [Pa].
    hidden : ndarray of bool, shape (curve,)
        Plateaus still rising.
    unit, time_unit : str

    Returns
    -------
    Picture
    """
    use = np.isfinite(one.predicted) & np.isfinite(plateau) & (plateau > 0)
    layers: list[Layer] = []
    for series, (where, label) in enumerate(
        ((use & ~hidden, "plateau reached"), (use & hidden, "still rising, at least"))
    ):
        if where.any():
            marks = thinned(one.predicted[where], plateau[where], most=1000)
            layers.append(Points(marks[0], marks[1], label, series))
    both = np.r_[one.predicted[use], plateau[use]] if use.any() else np.array([1.0, 10.0])
    ends = (float(both.min()), float(both.max()))
    layers.append(Line(ends, ends, "equal", 7))
    thin = f" At most 1000 marks of each kind of {int(use.sum())} curves." if use.sum() > 1000 else ""
    return Picture(
        f"Predicted against found plateau, hold {one.hold:g} {time_unit}",
        f"predicted from the other donors [{unit}]",
        f"plateau [{unit}]",
        tuple(layers),
        caption=f"Each mark is one curve.{thin}",
        alt=f"{int(use.sum())} curves at hold {one.hold:g} {time_unit}.",
        x_scale="log",
        y_scale="log",
        equal=True,
    )


def agreement_picture(found: HoldStudy, unit: str, time_unit: str) -> Picture | None:
    """Sensitivity and specificity along the hold at the first decision limit.

    Parameters
    ----------
    found : HoldStudy
    unit, time_unit : str

    Returns
    -------
    Picture or None
        Null where no limit was stated.
    """
    judged = [one for one in found.holds if one.decisions]
    if not judged:
        return None
    holds = [one.hold for one in judged]
    first = judged[0].decisions[0].limit
    layers = [
        *_series(holds, [one.decisions[0].sensitivity for one in judged], "sensitivity", 0),
        *_series(holds, [one.decisions[0].specificity for one in judged], "specificity", 1),
    ]
    return Picture(
        f"Decisions at {first:g} {unit}",
        f"hold after onset [{time_unit}]",
        "share [-]",
        tuple(layers),
        caption="Decision by the predicted plateau, taking that by the plateau as right; curves whose open plateau "
        "lies below the limit are left out, as counted in the table.",
        alt=f"Sensitivity and specificity against hold at {first:g} {unit}.",
    )
