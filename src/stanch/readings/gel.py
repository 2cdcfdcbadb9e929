"""Gel time and onset delay, from the joint sample paths of modulus and loss tangent."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.estimate import Estimate, Status
from stanch.readings import functionals
from stanch.readings.correct import filled, recentred
from stanch.readings.records import Reading

__all__ = ["SETTLE", "minutes", "read_gel_time", "read_onset_delay"]

Floats = NDArray[np.float64]

SETTLE = 120.0
"""How much of the run must follow the last time a reading looks at before it is frozen [s]."""

_KELVIN_VOIGT = (
    "A Kelvin-Voigt medium has a loss tangent only linear in frequency, which is far off near the gel point; "
    "gel time needs a richer rheology."
)
_NOTHING = np.empty(0)


def minutes(seconds: float) -> str:
    """A time [s] as a reader wants it in a sentence."""
    return f"{seconds / 60.0:.1f} min"


def read_gel_time(curve: Curve, time: Floats, dwell: float, jitter: Floats, complete: bool) -> Reading:
    """The first time at which the loss tangent stays at or below 1 for the dwell.

    Parameters
    ----------
    curve : Curve
    time : ndarray, shape (time,)
        Its grid, since true activation without the jitter [s].
    dwell : float
        [s].
    jitter : ndarray, shape (path,)
        Clock error of every path [s].
    complete : bool
        Whether the run has ended.

    Returns
    -------
    Reading
    """
    key = "gel_time"
    if curve.loss_paths is None or curve.loss_centre is None or curve.loss_resampled is None:
        return Reading(key, Estimate.unavailable("s", curve.loss_absent or _KELVIN_VOIGT), _NOTHING)
    raw = functionals.gel_time(time, curve.loss_paths, dwell)
    central = float(functionals.gel_time(time, curve.loss_centre[None, :], dwell)[0])
    again = functionals.gel_time(time, curve.loss_resampled, dwell)
    samples = recentred(raw, central, again) + jitter
    first, end = float(time[0]), float(time[-1])
    # A reading must stay inside what the run can show.
    samples = np.where(np.isfinite(samples), np.maximum(samples, first), samples)
    finite = samples[np.isfinite(samples)]
    latest = float(np.quantile(finite, 0.975)) + dwell if finite.size else math.inf
    status: Status = "ok" if complete or latest + SETTLE <= end else "provisional"
    estimate = Estimate.from_samples(samples, "s", start=first, end=max(end - dwell, first), status=status)
    at = "" if curve.frequency is None else f" at {curve.frequency:g} Hz"
    if estimate.status == "above":
        why = f"The loss tangent{at} did not stay at or below 1 for {dwell:g} s by {minutes(end)}."
        estimate = Estimate(None, estimate.low, None, "s", "above", None, why)
    elif estimate.status == "below":
        why = f"The loss tangent{at} was at or below 1 at the first push, {minutes(first)}."
        estimate = Estimate(None, None, estimate.high, "s", "below", None, why)
    return Reading(key, estimate, samples)


def read_onset_delay(onset: Reading, gel: Reading, *, start: float, end: float) -> Reading:
    """Onset minus gel time, path by path; the clock error is common to both and drops out.

    Parameters
    ----------
    onset, gel : Reading
        Of the same paths.
    start, end : float
        First push, and the last time at which either could have been confirmed [s].

    Returns
    -------
    Reading
        Known only as a bound where one of the two is; a delay below zero is a modulus that viscosity alone brought.
    """
    key = "onset_delay"
    if gel.samples.size == 0 or onset.samples.size == 0:
        return Reading(key, Estimate.unavailable("s", f"Needs the gel time. {gel.estimate.why}"), _NOTHING)
    late = gel.estimate.status == "below" or onset.estimate.status == "above"
    early = gel.estimate.status == "above" or onset.estimate.status == "below"
    if late and early:
        said = " ".join(one.estimate.why for one in (onset, gel) if one.estimate.why)
        why = f"Onset and gel time are known only as bounds that pull apart. {said}"
        return Reading(key, Estimate.unavailable("s", why), _NOTHING)
    with np.errstate(invalid="ignore"):
        samples = onset.samples - gel.samples
    missing = np.isnan(samples)
    if missing.all():
        why = "On every sample path neither onset nor gel time lies within the run, or both are before the first push."
        return Reading(key, Estimate.unavailable("s", why), _NOTHING)
    samples = filled(samples, missing)
    if not (late or early):
        both = (onset.estimate.status, gel.estimate.status)
        status: Status = "provisional" if "provisional" in both else "ok"
        return Reading(key, Estimate.from_samples(samples, "s", status=status), samples)
    bounded = np.clip(onset.samples, start, end) - np.clip(gel.samples, start, end)
    which = "onset" if onset.estimate.status in ("above", "below") else "gel time"
    why = f"Only a bound of the {which} is known: {(onset if which == 'onset' else gel).estimate.why}"
    if late:
        low = float(np.quantile(bounded, 0.025))
        return Reading(key, Estimate(None, low, None, "s", "above", None, why), samples)
    high = float(np.quantile(bounded, 0.975))
    return Reading(key, Estimate(None, None, high, "s", "below", None, why), samples)
