"""Quality signs read from what was written down: lots, ages, clocks, temperatures, volumes, reagents."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.findings.quality_records import Thresholds, WellEvidence
from stanch.findings.records import QualitySign
from stanch.quantities import QUANTITIES
from stanch.quantities import unit as unit_of
from stanch.recording.records import SampleFacts

if TYPE_CHECKING:
    from stanch.readings.assay_records import AssayDocument

__all__ = [
    "clock_disagreement",
    "expired_lots",
    "sample_outside",
    "stale_sample",
    "temperature_outside",
    "under_fill",
    "unplanned_wells",
]

Floats = NDArray[np.float64]
ZERO_CELSIUS = 273.15
SAMPLE_FACTS = ("haematocrit", "platelets", "fibrinogen")


def _instant(text: str | None) -> datetime | None:
    """A time with offset; None when unknown or unreadable (the recording refuses unreadable times itself)."""
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def _same(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def unplanned_wells(one: WellEvidence, assay: AssayDocument | None) -> Iterator[QualitySign]:
    """A well whose recorded reagents are not those the assay plans."""
    planned = next((w for w in assay.wells if w.name == one.well.name), None) if assay is not None else None
    if planned is None:
        return
    recorded = one.well.activator
    said = []
    if planned.activator is not None and recorded is not None and _same(planned.activator) != _same(recorded):
        said.append(f"activator {recorded}, planned {planned.activator}")
    have, want = ({_same(n): n for n in names} for names in (one.well.additive_names, planned.additives))
    said += [f"{have[n]}, not planned" for n in sorted(have.keys() - want.keys())]
    said += [f"no {want[n]}, though planned" for n in sorted(want.keys() - have.keys())]
    if said:
        yield QualitySign(
            "unplanned_well",
            one.well.name,
            "refuse_well",
            f"Recorded reagents differ from the assay: {'; '.join(said)}.",
        )


def expired_lots(one: WellEvidence, started_at: str | None) -> Iterator[QualitySign]:
    """A reagent lot used after its expiry date."""
    used = _instant(one.well.activated_at) or _instant(started_at)
    if used is None:
        return
    lots = [(one.well.activator or "activator", one.well.activator_lot, one.well.activator_expiry)]
    lots += [(a.name, a.lot, a.expiry) for a in one.well.additives]
    for name, lot, expiry in lots:
        if expiry is None:
            continue
        try:
            last = date.fromisoformat(expiry[:10])
        except ValueError:
            text = f"The expiry of {name}, {expiry}, is no date and was not checked."
            yield QualitySign("expired_lot", one.well.name, "flag", text)
            continue
        # The recording keeps UTC, so the day is that of UTC; a lot may be used to the end of its last day.
        days = (used.astimezone(UTC).date() - last).days
        if days > 0:
            text = f"{name}, lot {lot or 'unknown'}, expired on {last.isoformat()}, {days} days before use."
            yield QualitySign("expired_lot", one.well.name, "flag", text)


def stale_sample(
    sample: SampleFacts, wells: Sequence[WellEvidence], started_at: str | None, limits: Thresholds
) -> Iterator[QualitySign]:
    """A sample older at activation than the laboratory accepts."""
    if limits.sample_age is None or sample.role in ("gel", "blank"):
        return
    drawn = _instant(sample.drawn_at)
    starts = [t for w in wells if (t := _instant(w.well.activated_at)) is not None]
    used = max(starts, default=_instant(started_at))
    if drawn is None or used is None:
        unknown = "drawn" if drawn is None else "activated"
        text = f"The time at which the sample was {unknown} is unknown: its age was not checked."
        yield QualitySign("stale_sample", "", "flag", text)
        return
    age = (used - drawn).total_seconds()
    if age > limits.sample_age:
        text = f"The sample was {age / 3600:.2f} h old at activation; accepted up to {limits.sample_age / 3600:g} h."
        yield QualitySign("stale_sample", "", "refuse_well" if limits.sample_age_refuses else "flag", text)


def sample_outside(sample: SampleFacts, assay: AssayDocument | None) -> Iterator[QualitySign]:
    """Haematocrit, platelet count or fibrinogen outside what the laboratory accepts, or unknown where it has limits."""
    if assay is None or sample.role in ("gel", "blank"):
        return
    for limit in assay.limits:
        if limit.kind != "accept" or limit.of not in SAMPLE_FACTS:
            continue
        name, value = QUANTITIES[limit.of].label, getattr(sample, limit.of)
        if value is None:
            text = f"{name} is unknown: it was not checked against the accepted limits, {limit.text}."
            yield QualitySign("sample_outside", "", "flag", text)
            continue
        low, high = (-math.inf if limit.low is None else limit.low, math.inf if limit.high is None else limit.high)
        if not low <= value <= high:
            unit = unit_of(limit.unit)
            shown = f"{(value - unit.offset) / unit.scale:.4g}" + ("" if limit.unit == "1" else f" {limit.unit}")
            text = f"{name} is {shown}; accepted {limit.text}."
            yield QualitySign("sample_outside", "", limit.consequence, text)


def clock_disagreement(
    sample: SampleFacts,
    wells: Sequence[WellEvidence],
    started_at: str | None,
    now: str | None,
    limits: Thresholds,
) -> Iterator[QualitySign]:
    """Times that cannot all be right: a later step stamped before an earlier one."""
    drawn, received = _instant(sample.drawn_at), _instant(sample.received_at)
    start, end = _instant(started_at), _instant(now)
    steps: list[tuple[str, datetime | None, str, datetime | None]] = [
        ("drawn", drawn, "received", received),
        ("drawn", drawn, "start of the recording", start),
        ("received", received, "start of the recording", start),
        ("start of the recording", start, "analysis", end),
    ]
    for one in wells:
        activated, name = _instant(one.well.activated_at), one.well.name
        steps.append(("drawn", drawn, f"activation of {name}", activated))
        steps.append(("received", received, f"activation of {name}", activated))
        source = one.displacement or one.moduli
        if activated is not None and source is not None and source.push_time.size:
            last = activated + timedelta(seconds=float(np.max(source.push_time)))
            steps.append((f"last push of {name}", last, "analysis", end))
        else:
            steps.append((f"activation of {name}", activated, "analysis", end))
    for first, earlier, second, later in steps:
        if earlier is None or later is None:
            continue
        by = (earlier - later).total_seconds()
        if by > limits.clock_difference:
            text = f"Clocks disagree: {first} is stamped {by / 60:.1f} min after {second}."
            yield QualitySign("clock_disagreement", "", "flag", text)


def temperature_outside(
    wells: Sequence[WellEvidence],
    temperatures: tuple[Floats, Floats] | None,
    started_at: str | None,
    onset_modulus: float | None,
    limits: Thresholds,
) -> Iterator[QualitySign]:
    """Temperature of the well block outside the accepted limits before the last well has set.

    Parameters
    ----------
    wells : sequence of WellEvidence
    temperatures : tuple of two ndarray, shape (time,)
        Time since `started_at` [s] and temperature [K].
    started_at : str or None
    onset_modulus : float or None
        [Pa].
    limits : Thresholds
    """
    low, high = limits.temperature_low, limits.temperature_high
    if low is None and high is None:
        return
    if temperatures is None or temperatures[0].size == 0:
        text = "No temperature was recorded: it was not checked against the accepted limits."
        yield QualitySign("temperature", "", "flag", text)
        return
    seconds, kelvin = temperatures
    before = seconds <= _last_onset(wells, started_at, onset_modulus)
    outside = np.zeros(kelvin.shape, bool)
    outside |= kelvin < (-math.inf if low is None else low)
    outside |= kelvin > (math.inf if high is None else high)
    outside &= before
    if outside.any():
        worst = kelvin[outside][np.argmax(np.abs(kelvin[outside] - np.median(kelvin)))] - ZERO_CELSIUS
        accepted = " to ".join(f"{x - ZERO_CELSIUS:.1f}" for x in (low, high) if x is not None)
        text = (
            f"The block was at {worst:.1f} °C before onset ({int(outside.sum())} of {int(before.sum())} readings "
            f"outside); accepted {accepted} °C."
        )
        yield QualitySign("temperature", "", "refuse_well" if limits.temperature_refuses else "flag", text)


def _last_onset(wells: Sequence[WellEvidence], started_at: str | None, onset_modulus: float | None) -> float:
    """When the last well has set, since the start of the recording [s]; infinite when unknown."""
    start, latest = _instant(started_at), -math.inf
    for one in wells:
        if one.curve is None or onset_modulus is None:
            return math.inf
        set_ = one.curve.modulus >= onset_modulus
        activated = _instant(one.well.activated_at)
        offset = (activated - start).total_seconds() if activated is not None and start is not None else 0.0
        latest = max(latest, (float(one.curve.time[np.argmax(set_)]) if set_.any() else math.inf) + offset)
    return latest if wells else math.inf


def under_fill(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """A well filled less than its geometry says."""
    geometry, well = one.geometry, one.well
    if geometry is None:
        return
    volume = math.pi * geometry.well_radius**2 * geometry.well_depth
    for name, got, planned, unit, scale in (
        ("fill height", well.fill_height, geometry.well_depth, "mm", 1e3),
        ("final volume", well.final_volume, volume, "µL", 1e9),
    ):
        if got is None or got / planned >= limits.fill_flag:
            continue
        refuse = got / planned < limits.fill_refuse
        share = 100 * got / planned
        text = f"The {name} is {got * scale:.3g} {unit}, {share:.0f} % of the {planned * scale:.3g} {unit} planned."
        yield QualitySign("under_fill", well.name, "refuse_well" if refuse else "flag", text)
        return
