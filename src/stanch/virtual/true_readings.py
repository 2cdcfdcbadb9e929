"""The readings of curves that are known without error: what a perfect analysis would find.

Written apart from ``stanch.readings``, whose functions work on sample paths: a model is not tested with itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.estimate import Estimate
from stanch.readings.assay_records import FREQUENCY
from stanch.readings.definitions import Definitions
from stanch.virtual.course import Course

__all__ = ["TrueCurve", "early_modulus", "true_curve", "true_readings"]

Floats = NDArray[np.float64]

_STEP = 0.25  # of the grid on which curves are searched [s]
_ROUGH = 2.0  # of the grid on which materials are asked for their modulus at another frequency [s]
_COARSE = 5.0  # spacing at which the loss tangent is looked at before its crossing is refined [s]
_WINDOW = 120.0
_HALF_CHORD = 30.0
_LATE = 60.0  # a chord that ends this close to the end of the run is not known to be the steepest [s]
_REST = 600.0
_GROWTH = 0.02
_ENTERED = 0.95


@dataclass(frozen=True)
class TrueCurve:
    """A curve without error from the first to the last push of its well.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Even grid since activation [s].
    modulus : ndarray, shape (time,)
        [Pa].
    """

    time: Floats
    modulus: Floats

    @property
    def begin(self) -> float:
        """Time of the first push [s]."""
        return float(self.time[0])

    @property
    def end(self) -> float:
        """Time of the last push [s]."""
        return float(self.time[-1])

    def at(self, time: float) -> float:
        """Modulus at a time within the run [Pa]."""
        return float(np.interp(time, self.time, self.modulus))

    def mean(self, first: float, last: float) -> float:
        """Mean modulus between two times within the run [Pa]."""
        area = _area(self)
        return float(np.interp(last, self.time, area) - np.interp(first, self.time, area)) / (last - first)


def true_curve(course: Course, begin: float, end: float, frequency: float | None = None) -> TrueCurve:
    """Take a curve from a course.

    Parameters
    ----------
    course : Course
    begin, end : float
        First and last push since activation [s].
    frequency : float, optional
        At which the modulus is stated [Hz]; by default the course's own.

    Returns
    -------
    TrueCurve
    """
    time = _grid(begin, end, _STEP)
    if frequency is None or _kelvin_voigt(course, begin, end):
        return TrueCurve(time, np.asarray(course.modulus(time), dtype=float))
    rough = _grid(begin, end, _ROUGH)
    return TrueCurve(time, np.interp(time, rough, [course.material(t).storage(frequency) for t in rough]))


def _kelvin_voigt(course: Course, begin: float, end: float) -> bool:
    return all(course.material(t).kelvin_voigt for t in np.linspace(begin, end, 9))


def _grid(begin: float, end: float, step: float) -> Floats:
    return np.linspace(begin, end, max(2, 1 + math.ceil((end - begin) / step)))


def true_readings(
    courses: Mapping[str, Course],
    definitions: Definitions,
    *,
    begin: float | Mapping[str, float] = 0.0,
    end: float | Mapping[str, float],
    frequency: float | None = None,
) -> dict[str, dict[str, Estimate]]:
    """Readings of every well.

    Parameters
    ----------
    courses : mapping of str to Course
        By well.
    definitions : Definitions
        What the assay document says about onset, hold and follow.
    begin, end : float or mapping of str to float
        First and last push since activation, of all wells or by well [s].
    frequency : float, optional
        At which modulus and loss tangent are stated [Hz]; by default the modulus at the course's own frequency and the
        loss tangent at that of assays that state none.

    Returns
    -------
    dict of str to dict of str to Estimate
        By well and key: onset, gel_time, onset_delay, early_modulus (at the well's own anchor), plateau, plateau_entry,
        steepest_rise, remaining; exact values without interval, or a bound, or why there is none [SI unit].
    """
    return {
        name: _read(course, true_curve(course, _of(begin, name), _of(end, name), frequency), definitions, frequency)
        for name, course in courses.items()
    }


def _of(value: float | Mapping[str, float], name: str) -> float:
    return value[name] if isinstance(value, Mapping) else value


def _read(course: Course, curve: TrueCurve, definitions: Definitions, frequency: float | None) -> dict[str, Estimate]:
    onset = _first_lasting(curve.time, curve.modulus - definitions.onset_modulus, definitions.dwell)
    weak = f"G' did not stay at or above {definitions.onset_modulus:g} Pa"
    told_onset = _passed(onset, curve, definitions.dwell, weak)
    stated = FREQUENCY if frequency is None else frequency
    gel = _gel_time(course, curve, definitions.dwell, stated)
    liquid = f"The loss tangent at {stated:g} Hz did not stay at or below 1"
    told_gel = _passed(gel, curve, definitions.dwell, liquid)
    plateau = _plateau(curve)
    entry = _entry(curve, plateau)
    return {
        "onset": told_onset,
        "gel_time": told_gel,
        "onset_delay": _delay(told_onset, told_gel),
        "early_modulus": early_modulus(curve, onset, definitions.hold),
        "plateau": plateau,
        "plateau_entry": entry,
        "steepest_rise": _rise(curve),
        "remaining": _remaining(curve, plateau, entry, definitions.follow),
    }


def _first_lasting(time: Floats, excess: Floats, dwell: float) -> float:
    """First time from which `excess` stays at or above zero for the dwell; -inf from the start, +inf never."""
    high = excess >= 0
    changes = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]]).astype(int)))
    for first, after in zip(changes[::2], changes[1::2], strict=True):
        came = float(time[0])
        if first > 0:
            low, up = excess[first - 1], excess[first]
            came = float(time[first] - (time[first] - time[first - 1]) * up / (up - low))
        if time[after - 1] - came >= dwell - 1e-9:
            return -math.inf if first == 0 else came
    return math.inf


def _passed(when: float, curve: TrueCurve, dwell: float, never: str) -> Estimate:
    """A time that may lie outside the run."""
    if when == math.inf:
        why = f"{never} for {dwell:g} s by {curve.end / 60:.1f} min."
        return Estimate(None, max(curve.end - dwell, curve.begin), None, "s", "above", None, why)
    if when == -math.inf:
        why = f"It was so at the first push already, {curve.begin / 60:.1f} min."
        return Estimate(None, None, curve.begin, "s", "below", None, why)
    return Estimate(when, None, None, "s")


def _gel_time(course: Course, curve: TrueCurve, dwell: float, frequency: float) -> float:
    # A loss tangent at or below 1 is a storage modulus at or above the loss modulus, which has no pole in a liquid.
    if _kelvin_voigt(course, curve.begin, curve.end):
        loss = 2 * math.pi * frequency * np.asarray(course.viscosity(curve.time), dtype=float)
        return _first_lasting(curve.time, np.asarray(course.modulus(curve.time), dtype=float) - loss, dwell)

    def excess(time: float) -> float:
        material = course.material(time)
        return material.storage(frequency) - material.loss(frequency)

    time = _grid(curve.begin, curve.end, _COARSE)
    found = _first_lasting(time, np.array([excess(t) for t in time]), dwell)
    if not math.isfinite(found):
        return found
    high = int(np.searchsorted(time, found))
    low, up = float(time[high - 1]), float(time[high])
    for _ in range(30):
        middle = 0.5 * (low + up)
        low, up = (low, middle) if excess(middle) >= 0 else (middle, up)
    return up


def _delay(onset: Estimate, gel: Estimate) -> Estimate:
    if onset.value is not None and gel.value is not None:
        return Estimate(onset.value - gel.value, None, None, "s")
    if onset.status == "above" and gel.value is not None and onset.low is not None:
        return Estimate(None, onset.low - gel.value, None, "s", "above", None, onset.why)
    return Estimate.unavailable("s", gel.why or onset.why)


def early_modulus(curve: TrueCurve, anchor: float, hold: float) -> Estimate:
    """Modulus one hold after an anchor.

    Parameters
    ----------
    curve : TrueCurve
    anchor, hold : float
        [s]; an infinite anchor is one outside the run.

    Returns
    -------
    Estimate
        [Pa].
    """
    if not math.isfinite(anchor):
        words = "was not reached" if anchor > 0 else "was before the first push"
        return Estimate.unavailable("Pa", f"The onset {words}, so there is no anchor.")
    when = anchor + hold
    if when > curve.end + 1e-6:
        return Estimate.unavailable("Pa", f"Anchor plus hold ({when / 60:.1f} min) lies outside the run.")
    return Estimate(curve.at(when), None, None, "Pa")


def _area(curve: TrueCurve) -> Floats:
    step = np.diff(curve.time)
    return np.concatenate([[0.0], np.cumsum(0.5 * step * (curve.modulus[1:] + curve.modulus[:-1]))])


def _plateau(curve: TrueCurve) -> Estimate:
    starts = curve.time[curve.time <= curve.end - _WINDOW + 1e-9]
    if starts.size == 0:
        return Estimate.unavailable("Pa", f"The run is shorter than the {_WINDOW:g} s of the mean.")
    area = _area(curve)
    means = (np.interp(starts + _WINDOW, curve.time, area) - area[: starts.size]) / _WINDOW
    best = int(np.argmax(means))
    top = float(means[best])
    rested = curve.end - (starts[best] + _WINDOW) >= _REST - 1e-6
    long_enough = curve.end - curve.begin >= _REST
    flat = long_enough and curve.at(curve.end) <= curve.at(curve.end - _REST) * math.exp(_GROWTH)
    if rested or flat:
        return Estimate(top, None, None, "Pa")
    return Estimate(None, top, None, "Pa", "above", None, "The modulus was still rising at the end of the run.")


def _entry(curve: TrueCurve, plateau: Estimate) -> Estimate:
    top = plateau.value if plateau.value is not None else plateau.low
    if top is None:
        return Estimate.unavailable("s", "The plateau is unavailable.")
    if top <= 0:
        return Estimate.unavailable("s", "The plateau is zero.")
    excess = curve.modulus - _ENTERED * top
    when = _first_lasting(curve.time, excess, 0.0)
    if when == -math.inf:
        return _passed(when, curve, 0.0, "")
    if plateau.status == "above":
        return Estimate(None, when, None, "s", "above", None, "The plateau was not reached.")
    return Estimate(when, None, None, "s")


def _rise(curve: TrueCurve) -> Estimate:
    starts = curve.time[curve.time <= curve.end - 2 * _HALF_CHORD + 1e-9]
    if starts.size == 0:
        return Estimate.unavailable("Pa/s", f"The run is shorter than the {2 * _HALF_CHORD:g} s of the chord.")
    slopes = np.interp(starts + 2 * _HALF_CHORD, curve.time, curve.modulus) - curve.modulus[: starts.size]
    slopes /= 2 * _HALF_CHORD
    best = int(np.argmax(slopes))
    top = float(slopes[best])
    if top > 0 and starts[best] + 2 * _HALF_CHORD >= curve.end - _LATE:
        why = "The steepest chord lies at the end of the run, so a steeper one may follow."
        return Estimate(None, top, None, "Pa/s", "above", None, why)
    return Estimate(top, None, None, "Pa/s")


def _remaining(curve: TrueCurve, plateau: Estimate, entry: Estimate, follow: float) -> Estimate:
    if plateau.value is None or entry.value is None:
        return Estimate.unavailable("1", "The plateau or its entry does not lie within the run.")
    when = entry.value + follow
    if when + _WINDOW / 2 > curve.end + 1e-6:
        return Estimate.unavailable("1", f"Plateau entry plus follow ({when / 60:.1f} min) lies outside the run.")
    later = curve.mean(when - _WINDOW / 2, when + _WINDOW / 2)
    return Estimate(min(later / plateau.value, 1.0), None, None, "1")
