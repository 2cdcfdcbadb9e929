"""The readings of one well, from the joint sample paths of its curve."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.estimate import Estimate, Status
from stanch.mechanics.records import LOG_OFFSET
from stanch.readings import functionals
from stanch.readings.correct import filled, reached_down, recentred, recentred_top
from stanch.readings.definitions import Definitions
from stanch.readings.gel import SETTLE, minutes, read_gel_time, read_onset_delay
from stanch.readings.records import Reading, WellReadings

__all__ = [
    "CLOCK_READINGS",
    "CLOCK_UNKNOWN",
    "GROWTH_LIMIT",
    "MISSING",
    "REST",
    "SETTLE",
    "modulus_estimate",
    "read_well",
]

Floats = NDArray[np.float64]

REST = 600.0
"""How long a run must go on after the plateau, and the time over which growth is judged [s]."""

GROWTH_LIMIT = 0.02
"""Growth of ln G over that time below which the plateau counts as reached [-]."""

MISSING = 0.025
"""Share of paths that may lack what a reading needs before the reading is unavailable [-]."""

CLOCK_READINGS = ("onset", "gel_time", "plateau_entry")
"""Readings that are times since activation."""

CLOCK_UNKNOWN = "The uncertainty of the activation time is unknown and not included."

_NOTHING_PA = 1e-9
"""Rounding of ln(G + 10 Pa) at zero [Pa]."""


@dataclass(frozen=True)
class _Paths:
    """The three sets of curves a reading is taken from; times are since true activation, without its jitter."""

    time: Floats
    samples: Floats
    centre: Floats
    resampled: Floats
    jitter: Floats

    @property
    def end(self) -> float:
        return float(self.time[-1])


def read_well(
    curve: Curve,
    definitions: Definitions,
    *,
    activation_offset: float = 0.0,
    activation_sd: float | None = 0.0,
    seed: int,
    anchor_samples: Floats | None = None,
    complete: bool = True,
    systematic: float | None = None,
    well: str = "",
) -> WellReadings:
    """Read a curve.

    Parameters
    ----------
    curve : Curve
    definitions : Definitions
    activation_offset : float
        True activation minus recorded activation [s].
    activation_sd : float or None
        Standard uncertainty of that; None is unknown, and times then say that it is not included [s].
    seed : int
        Of the activation jitter.
    anchor_samples : ndarray, shape (path,), optional
        Anchor of the early modulus, since activation [s]: the onset samples of the base well of a pair; by default the
        well's own onset.
    complete : bool
        Whether the run has ended; before that, readings that later pushes can still move are ``provisional``.
    systematic : float, optional
        Relative standard uncertainty of the modulus common to like wells [-].
    well : str
        Name of the well.

    Returns
    -------
    WellReadings
        onset, gel_time, onset_delay, early_modulus, plateau, plateau_entry, steepest_rise, remaining; SI units.
    """
    # Each path has one clock error, shared by all its times.
    jitter = np.asarray((activation_sd or 0.0) * np.random.default_rng([seed, 1]).standard_normal(curve.paths.shape[0]))
    time = curve.time - activation_offset
    centre = curve.modulus if curve.centre is None else curve.centre
    resampled = centre[None, :] if curve.resampled is None else curve.resampled
    paths = _Paths(time, curve.paths, np.maximum(centre, 0.0)[None, :], np.maximum(resampled, 0.0), jitter)
    onset = _onset(paths, definitions, complete)
    anchor = onset.samples if anchor_samples is None else np.asarray(anchor_samples, dtype=float)
    early = _early(paths, anchor, definitions, complete, systematic, own=anchor_samples is None)
    gel = read_gel_time(curve, time, definitions.dwell, jitter, complete)
    delay = read_onset_delay(onset, gel, start=float(time[0]), end=max(paths.end - definitions.dwell, float(time[0])))
    plateau, reached, settled = _plateau(paths, complete, systematic)
    entry = _entry(paths, plateau, reached, settled)
    rise = _rise(paths, complete, systematic)
    remaining = _remaining(paths, definitions, plateau, entry, reached, complete)
    readings: tuple[Reading, ...] = (onset, gel, delay, early, plateau, entry, rise, remaining)
    if activation_sd is None:
        readings = tuple(_clock_unknown(reading) for reading in readings)
    return WellReadings(well, readings, activation_offset - jitter)


def _clock_unknown(reading: Reading) -> Reading:
    """The reading, saying that the uncertainty of the activation is not in its interval where it would be."""
    estimate = reading.estimate
    if reading.key not in CLOCK_READINGS or estimate.status == "unavailable":
        return reading
    return replace(reading, estimate=replace(estimate, why=f"{estimate.why} {CLOCK_UNKNOWN}".strip()))


def _status(paths: _Paths, looked_at: float, complete: bool) -> Status:
    return "ok" if complete or looked_at + SETTLE <= paths.end else "provisional"


def _onset(paths: _Paths, definitions: Definitions, complete: bool) -> Reading:
    threshold, dwell = definitions.onset_modulus, definitions.dwell
    raw, central, again = (
        functionals.onset(paths.time, p, threshold, dwell) for p in (paths.samples, paths.centre, paths.resampled)
    )
    samples = recentred(raw, float(central[0]), again) + paths.jitter
    # A reading must stay inside what the run can show.
    samples = np.where(np.isfinite(samples), np.maximum(samples, paths.time[0]), samples)
    last = paths.end - dwell
    finite = samples[np.isfinite(samples)]
    latest = float(np.quantile(finite, 0.975)) + dwell if finite.size else math.inf
    estimate = Estimate.from_samples(
        samples,
        "s",
        start=float(paths.time[0]),
        end=max(last, float(paths.time[0])),
        status=_status(paths, latest, complete),
    )
    if estimate.status == "above":
        why = f"G' did not stay at or above {threshold:g} Pa for {dwell:g} s by {minutes(paths.end)}."
        estimate = Estimate(None, estimate.low, None, "s", "above", None, why)
    elif estimate.status == "below":
        why = f"G' was at or above {threshold:g} Pa at the first push, {minutes(float(paths.time[0]))}."
        estimate = Estimate(None, None, estimate.high, "s", "below", None, why)
    return Reading("onset", estimate, samples)


def _early(
    paths: _Paths, anchor: Floats, definitions: Definitions, complete: bool, systematic: float | None, *, own: bool
) -> Reading:
    key, whose = "early_modulus", "this well" if own else "the base well"
    nothing = np.empty(0)
    if anchor.size == 0:
        return Reading(key, Estimate.unavailable("Pa", f"The onset of {whose} is unavailable."), nothing)
    for sign, words in ((1.0, "was not reached"), (-1.0, "was before the first push")):
        share = float(np.mean(anchor == sign * math.inf))
        if share > MISSING:
            why = f"The onset of {whose} {words} on {100 * share:.0f} % of the sample paths, so there is no anchor."
            return Reading(key, Estimate.unavailable("Pa", why), nothing)
    when = anchor - paths.jitter + definitions.hold
    samples = functionals.at(paths.time, paths.samples, when)
    missing = ~np.isfinite(samples)
    share = float(missing.mean())
    if share > MISSING:
        late = minutes(float(np.median(anchor[np.isfinite(anchor)])) + definitions.hold)
        why = f"Anchor plus hold ({late}) lies outside the run on {100 * share:.0f} % of the sample paths."
        return Reading(key, Estimate.unavailable("Pa", why), nothing)
    samples = filled(samples)
    looked_at = float(np.quantile(when[np.isfinite(when)], 0.975))
    estimate = modulus_estimate(samples, _status(paths, looked_at, complete), systematic)
    return Reading(key, estimate, samples)


def modulus_estimate(samples: Floats, status: Status, systematic: float | None) -> Estimate:
    """Quantiles of a modulus [Pa]; null with low 0 where zero is not rejected."""
    estimate = Estimate.from_samples(samples, "Pa", status=status, systematic=systematic)
    if estimate.low is not None and estimate.low <= _NOTHING_PA:
        why = "Zero is not rejected."
        return Estimate(None, 0.0, estimate.high, "Pa", status, systematic, why)
    return estimate


def _top(paths: _Paths, raw: Floats) -> Floats:
    """Samples of the highest two-minute mean, its bias taken out in ln(G + 10 Pa)."""
    central = np.log(functionals.running_mean(paths.time, paths.centre, every=4)[0] + LOG_OFFSET)
    again = np.log(functionals.running_mean(paths.time, paths.resampled, every=4) + LOG_OFFSET)
    seen = math.log(float(functionals.highest_mean(paths.time, paths.centre)[0][0]) + LOG_OFFSET)
    moved = recentred_top(np.log(raw + LOG_OFFSET), seen, central, again, stretched=True)
    return np.asarray(np.maximum(np.exp(moved) - LOG_OFFSET, 0.0))


def _plateau(paths: _Paths, complete: bool, systematic: float | None) -> tuple[Reading, bool, bool]:
    key = "plateau"
    raw, ends = functionals.highest_mean(paths.time, paths.samples)
    if not np.isfinite(raw).all():
        why = f"The run is shorter than the {functionals.PLATEAU_WINDOW:g} s of the mean."
        return Reading(key, Estimate.unavailable("Pa", why), np.empty(0)), False, False
    samples = _top(paths, raw)
    rested = paths.end - ends >= REST
    before = functionals.at(paths.time, paths.samples, np.full(raw.size, paths.end - REST))
    now = paths.samples[:, -1]
    flat = now <= before * math.exp(GROWTH_LIMIT)
    reached = bool(np.mean(rested | flat) >= 0.5)
    settled = bool(complete or reached)
    if not reached:
        low = float(np.quantile(samples, 0.025))
        why = "The modulus was still rising at the end of the run."
        return Reading(key, Estimate(None, low, None, "Pa", "above", systematic, why), samples), False, settled
    estimate = modulus_estimate(samples, "ok" if settled else "provisional", systematic)
    return Reading(key, estimate, samples), True, settled


def _entry(paths: _Paths, plateau: Reading, reached: bool, settled: bool) -> Reading:
    key = "plateau_entry"
    if plateau.samples.size == 0:
        return Reading(key, Estimate.unavailable("s", "The plateau is unavailable."), np.empty(0))

    def entry(p: Floats) -> Floats:
        top, _ = functionals.highest_mean(paths.time, p)
        return functionals.first_reached(paths.time, p, functionals.PLATEAU_SHARE * top)

    central = float(entry(paths.centre)[0])
    samples = recentred(entry(paths.samples), central, entry(paths.resampled)) + paths.jitter
    if np.isfinite(samples).all():
        # Too high a plateau makes a late entry, so the doubt reaches down as that of the plateau does.
        samples = reached_down(samples)
    samples = np.where(np.isfinite(samples), np.clip(samples, paths.time[0], paths.end), samples)
    if not reached:
        low = float(np.maximum(np.quantile(samples, 0.025, method="nearest"), paths.time[0]))
        return Reading(key, Estimate(None, low, None, "s", "above", None, "The plateau was not reached."), samples)
    start, end = float(paths.time[0]), paths.end
    return Reading(
        key,
        Estimate.from_samples(samples, "s", start=start, end=end, status="ok" if settled else "provisional"),
        samples,
    )


def _rise(paths: _Paths, complete: bool, systematic: float | None) -> Reading:
    key = "steepest_rise"
    raw, where = functionals.steepest_rise(paths.time, paths.samples)
    if not np.isfinite(raw).all():
        why = f"The run is shorter than the {2 * functionals.RISE_HALF_CHORD:g} s of the chord."
        return Reading(key, Estimate.unavailable("Pa/s", why), np.empty(0))
    seen = float(functionals.steepest_rise(paths.time, paths.centre)[0][0])
    central = functionals.running_slope(paths.time, paths.centre, every=4)[0]
    samples = recentred_top(raw, seen, central, functionals.running_slope(paths.time, paths.resampled, every=4))
    last = paths.end - functionals.RISE_HALF_CHORD
    if float(np.mean(where >= last - SETTLE / 2)) > 0.5 and float(np.median(raw)) > 0.0:
        low = float(np.quantile(samples, 0.025))
        why = "The steepest chord lies at the end of the run, so a steeper one may follow."
        return Reading(key, Estimate(None, low, None, "Pa/s", "above", systematic, why), samples)
    status: Status = "ok" if complete or float(np.quantile(where, 0.975)) + REST <= paths.end else "provisional"
    return Reading(key, Estimate.from_samples(samples, "Pa/s", status=status, systematic=systematic), samples)


def _remaining(
    paths: _Paths, definitions: Definitions, plateau: Reading, entry: Reading, reached: bool, complete: bool
) -> Reading:
    key, nothing = "remaining", np.empty(0)
    if not reached or entry.estimate.value is None:
        return Reading(key, Estimate.unavailable("1", "The plateau was not reached within the run."), nothing)
    when = entry.samples - paths.jitter + definitions.follow
    later = functionals.mean_around(paths.time, paths.samples, np.where(np.isfinite(when), when, np.nan))
    missing = ~np.isfinite(later)
    if float(missing.mean()) > MISSING:
        at = minutes(entry.estimate.value + definitions.follow)
        return Reading(
            key, Estimate.unavailable("1", f"Plateau entry plus follow ({at}) lies outside the run."), nothing
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        samples = np.minimum(later / plateau.samples, 1.0)
    if plateau.estimate.value is None or not np.isfinite(samples[~missing]).all():
        return Reading(key, Estimate.unavailable("1", "The plateau is not distinguishable from zero."), nothing)
    samples = filled(samples)
    looked_at = float(np.quantile(when[np.isfinite(when)], 0.975)) + functionals.PLATEAU_WINDOW / 2
    return Reading(key, Estimate.from_samples(samples, "1", status=_status(paths, looked_at, complete)), samples)
