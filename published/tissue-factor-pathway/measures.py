"""What is read off a course of the tissue-factor pathway; shared by the checks that use it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stanch.virtual.blood.stiff import Solution, solve
from stanch.virtual.blood.tissue_factor import NORMAL, activity, network

Floats = NDArray[np.float64]
NANO = 1e6
"""mol/m^3 in nmol/L."""
FORMS = {
    "TF": ("TF",),
    "VII": ("VII", "VIIa"),
    "X": ("X", "Xa"),
    "IX": ("IX", "IXa"),
    "II": ("II", "IIa", "mIIa"),
    "VIII": ("VIII", "VIIIa", "VIIIa1L"),
    "V": ("V", "Va"),
    "TFPI": ("TFPI",),
    "AT": ("AT",),
}
"""The parts of a species' name that count for a sum; of the two halves of VIIIa one does."""


def follow(
    tissue_factor: float,
    change: Mapping[str, float] | None = None,
    scale: Mapping[str, float] | None = None,
    *,
    duration: float = 2400.0,
    step: float = 0.05,
    rtol: float = 1e-9,
) -> Solution:
    """The pathway from a tissue factor in pmol/L, with factors on initial concentrations and on reactions."""
    start = {**NORMAL, "TF": tissue_factor * 1e-9}
    for name, factor in (change or {}).items():
        start[name] *= factor
    own = network()
    return solve(own, own.initial(start), duration=duration, step=step, constants=own.constants(scale), rtol=rtol)


def active(course: Solution) -> Floats:
    """IIa + 1.2 mIIa in nmol/L."""
    return NANO * activity(course["IIa"], course["mIIa"])


def peak(time: Floats, y: Floats) -> tuple[float, float]:
    """Height and time of the maximum, by the parabola through the three highest points."""
    i = int(np.argmax(y))
    if i in (0, len(y) - 1):
        return float(y[i]), float(time[i])
    before, at, after = (float(v) for v in y[i - 1 : i + 2])
    shift = 0.5 * (before - after) / (before - 2 * at + after)
    return at - 0.25 * (before - after) * shift, float(time[i]) + shift * float(time[1] - time[0])


def reaches(time: Floats, y: Floats, level: float) -> float:
    """First time at a level, or nan."""
    i = int(np.argmax(y >= level))
    if y[i] < level:
        return float("nan")
    return float(time[i - 1] + (level - y[i - 1]) / (y[i] - y[i - 1]) * (time[i] - time[i - 1]))


def measures(course: Solution) -> dict[str, float]:
    """Every quantity of values.csv by its name there."""
    time, y = course.time, active(course)
    early = time <= 1200.0 + 1e-9
    found = {
        "activity reaches 2 nM at [s]": reaches(time, y, 2.0),
        "activity reaches 10 nM at [s]": reaches(time, y, 10.0),
    }
    found["activity peak to 1200 s [nM]"] = float(y[early].max())
    found["area to 1200 s [nM s]"] = float(np.trapezoid(y[early], time[early]))
    found["steepest rise [nM/s]"], found["steepest rise at [s]"] = peak(time, np.gradient(y, time))
    for name, values in (("activity", y), ("thrombin", NANO * course["IIa"]), ("Va", NANO * course["Va"])):
        found[f"{name} peak [nM]"], found[f"{name} peak at [s]"] = peak(time, values)
    for name, forms in FORMS.items():
        found[f"sum of {name} [nM]"] = _furthest(NANO * course.values @ _counts(course, forms))
    formed = course["VIIIa2"] > 0
    if formed.any():
        found["VIIIa1L over VIIIa2 [-]"] = _furthest(course["VIIIa1L"][formed] / course["VIIIa2"][formed])
    return found


def _counts(course: Solution, forms: tuple[str, ...]) -> Floats:
    return np.array([sum(part in forms for part in name.split(":")) for name in course.network.species], dtype=float)


def _furthest(values: Floats) -> float:
    """The value furthest from the first."""
    return float(values[int(np.argmax(np.abs(values - values[0])))])
