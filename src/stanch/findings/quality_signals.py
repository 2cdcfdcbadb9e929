"""Quality signs read from the echoes and from the moduli."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import PushFlag
from stanch.findings.quality_records import Thresholds, WellEvidence
from stanch.findings.quality_series import (
    RUN,
    SET_COHERENCE,
    begins_run,
    decibel,
    in_gate,
    indices,
    lasting,
    line_fit,
    liquid_moduli,
    liquid_pushes,
)
from stanch.findings.records import QualitySign

__all__ = [
    "already_set",
    "bubble",
    "coupling_loss",
    "poor_mixing",
    "sedimentation",
    "silent_end",
    "strain",
    "viscosity_disagreement",
]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]


def strain(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """Pushes that strained the blood more than its linear range."""
    if one.moduli is None:
        return
    value = np.where(np.isfinite(one.moduli.strain), one.moduli.strain, 0.0)
    pushes = np.flatnonzero(value > limits.strain)
    if pushes.size:
        text = (
            f"{pushes.size} of {value.size} pushes strained the blood above {100 * limits.strain:.0f} %, up to "
            f"{100 * float(value.max()):.0f} %: a clot stiffens with strain, so the modulus may read high."
        )
        yield QualitySign("strain", one.well.name, "flag", text, indices(pushes))


def already_set(one: WellEvidence, onset_modulus: float | None, limits: Thresholds) -> Iterator[QualitySign]:
    """A well that had set before its first pushes.

    Parameters
    ----------
    one : WellEvidence
    onset_modulus : float or None
        [Pa].
    limits : Thresholds
    """
    if one.moduli is None or onset_modulus is None:
        return
    usable = np.flatnonzero(one.moduli.usable)[:RUN]
    if usable.size == RUN and (one.moduli.modulus_low[usable] >= onset_modulus).all():
        text = (
            f"Already set at the first push, {float(one.moduli.push_time[usable[0]]):.0f} s after activation: "
            f"{float(one.moduli.modulus[usable[0]]):.3g} Pa, onset modulus {onset_modulus:g} Pa."
        )
        yield QualitySign("already_set", one.well.name, "flag", text, (int(usable[0]),))


def bubble(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """A depth whose echo is far above its neighbours': a bubble in the beam, or beside it.

    Notes
    -----
    The echo energy of each depth bin is held against the median of the bins two to five away from it, and of the whole
    line, push by push; three consecutive pushes must agree. Inside the gate the pushes are refused.
    """
    d = one.displacement
    if d is None or d.energy.shape[1] < 8 or d.energy.shape[0] < RUN:
        return
    level = decibel(d.energy)
    excess = np.empty_like(level)
    bins, whole = level.shape[1], np.median(level, axis=1)
    for k in range(bins):
        near = [j for j in range(max(0, k - 5), min(bins, k + 6)) if abs(j - k) >= 2]
        # Beside a silent end the neighbours are no measure; the line as a whole is.
        excess[:, k] = level[:, k] - np.maximum(np.median(level[:, near], axis=1), whole)
    seen = lasting(excess > limits.bubble)
    gate = in_gate(d)
    flagged = (d.flags & int(PushFlag.BUBBLE)) != 0
    inside = np.flatnonzero(seen[:, gate].any(axis=1) | flagged)
    beside = np.flatnonzero(seen[:, ~gate].any(axis=1))
    name = one.well.name
    if inside.size:
        refuse = inside.size > limits.bubble_refused * seen.shape[0]
        text = (
            f"A bright echo inside the tracking gate in {inside.size} of {seen.shape[0]} pushes: a bubble in the beam."
        )
        yield QualitySign("bubble", name, "refuse_well" if refuse else "refuse_push", text, indices(inside))
    elif beside.size:
        column = int(np.argmax(np.where(gate, -np.inf, np.where(seen, excess, -np.inf).max(axis=0))))
        text = (
            f"An echo {float(excess[beside, column].max()):.0f} dB above its neighbours at "
            f"{float(d.energy_depth[column]) * 1e3:+.1f} mm from the focus, outside the gate: a bubble beside the beam."
        )
        yield QualitySign("bubble", name, "flag", text, indices(beside))


def silent_end(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """An end of the recorded line that lies inside the well and yet gives no echo: nothing is there to scatter.

    Notes
    -----
    At least two bins in a row up to the end of the line, below the median level of all bins by `limits.silence`, at the
    median over the pushes. To be asked only where no bubble was seen, since its shadow is silent too.
    """
    d, geometry = one.displacement, one.geometry
    if d is None or geometry is None or d.energy.shape[1] < 8:
        return
    level = np.median(decibel(d.energy), axis=0)
    quiet = level < np.median(level) - limits.silence
    for order in (slice(None), slice(None, None, -1)):
        row = quiet[order]
        count = int(np.argmin(row)) if not row.all() else 0
        if count < 2:
            continue
        heights = [geometry.height(float(z)) for z in d.energy_depth[order][:count]]
        if not all(0.0 <= h <= geometry.well_depth for h in heights):
            continue
        surface, deep = geometry.height(float(d.energy_depth[order][count])) * 1e3, geometry.well_depth * 1e3
        text = (
            f"No echo beyond {surface:.1f} mm above the base of a well {deep:.1f} mm deep: the sample does not reach "
            "there, so the geometry is not that of the model."
        )
        yield QualitySign("under_fill", one.well.name, "refuse_well", text)
        return


def coupling_loss(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """Echo energy of the whole line that falls suddenly and stays low."""
    d = one.displacement
    if d is None or d.energy.shape[0] < 4 * RUN:
        return
    level = np.median(decibel(d.energy), axis=1)
    loss = np.zeros_like(level)
    for k in range(RUN, level.size):
        # Held against the best stretch so far, so that a loss which lasts is not taken as the new normal.
        window = level[max(0, k - 60) : k]
        kept = window[loss[max(0, k - 60) : k] < limits.coupling_weight]
        loss[k] = (float(np.median(kept[-20:])) if kept.size else loss[k - 1] + level[k - 1]) - level[k]
    kept_low = lasting((loss > limits.coupling_weight)[:, None])[:, 0]
    pushes = np.flatnonzero(kept_low)
    if pushes.size:
        worst = float(loss[pushes].max())
        refused = pushes[loss[pushes] > limits.coupling_refuse]
        told = f"The echo of the whole line lost up to {worst:.0f} dB from push {int(pushes[0])} on: coupling was lost."
        if refused.size:
            yield QualitySign("coupling_loss", one.well.name, "refuse_push", told, indices(refused))
        weighted = np.setdiff1d(pushes, refused)
        if weighted.size:
            yield QualitySign("coupling_loss", one.well.name, "weight", told, indices(weighted))


def poor_mixing(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """Zones of depth that set at different times."""
    d = one.displacement
    if d is None or d.zone_coherence.shape[0] < 2 * RUN or d.zone_coherence.shape[1] < 2:
        return
    holds = begins_run(d.zone_coherence >= SET_COHERENCE)
    if not holds.any(axis=0).all() or holds[: RUN + 1].any():
        return
    first = np.argmax(holds, axis=0)
    times = d.push_time[first]
    spread = float(times.max() - times.min())
    step = float(np.median(np.diff(d.push_time)))
    if spread > max(limits.mixing, RUN * step):
        text = (
            f"Depths set {spread:.0f} s apart ({', '.join(f'{t:.0f}' for t in times)} s from near to far): poor mixing."
        )
        yield QualitySign("poor_mixing", one.well.name, "flag", text)


def sedimentation(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """Echo energy that moves from one half of the sample to the other while the blood is liquid."""
    d = one.displacement
    if d is None or d.energy.shape[1] < 4:
        return
    liquid = liquid_pushes(d)
    if liquid.size < 12:
        return
    half = d.energy.shape[1] // 2
    near, far = (decibel(part.mean(axis=1)) for part in (d.energy[liquid, :half], d.energy[liquid, half:]))
    tilt = far - near
    time = d.push_time[liquid]
    slope, error = line_fit(time, tilt)
    drift = slope * float(time[-1] - time[0])
    if abs(drift) > limits.sedimentation and abs(slope) > limits.significance * error:
        minutes = float(time[-1] - time[0]) / 60
        text = (
            f"The echo profile tilted by {drift:+.1f} dB from the near to the far half in {minutes:.1f} min while "
            "liquid: cells were settling."
        )
        yield QualitySign("sedimentation", one.well.name, "flag", text, indices(liquid))


def viscosity_disagreement(wells: Sequence[WellEvidence], limits: Thresholds) -> Iterator[QualitySign]:
    """A well whose liquid viscosity differs from the others of one sample: unequal dilution, or a wrong fill.

    Parameters
    ----------
    wells : sequence of WellEvidence
    limits : Thresholds
        `viscosity_spread` is relative to the median of the other wells [-].
    """
    found: dict[str, tuple[float, float]] = {}
    for one in wells:
        m = one.moduli
        if m is None:
            continue
        liquid = liquid_moduli(m)
        eta = m.viscosity[liquid]
        half = (m.viscosity_high[liquid] - m.viscosity_low[liquid]) / 3.92
        good = np.isfinite(eta) & np.isfinite(half) & (half > 0) & (eta > 0)
        if good.sum() < 2 * RUN:
            continue
        # Medians, since the last pushes before setting are thicker already. The scatter found counts, or the errors
        # stated where they are larger; 1.2533/sqrt(n) makes it the standard error of a median.
        middle = float(np.median(eta[good]))
        scatter = 1.4826 * float(np.median(np.abs(eta[good] - middle)))
        found[one.well.name] = (
            middle,
            1.2533 * max(scatter, float(np.median(half[good]))) / float(np.sqrt(good.sum())),
        )
    if len(found) < 3:
        return
    for name, (value, error) in found.items():
        others = [pair for other, pair in found.items() if other != name]
        middle = float(np.median([v for v, _ in others]))
        spread = 1.2533 * float(np.median([e for _, e in others])) / np.sqrt(len(others))
        ratio = value / middle - 1.0
        if abs(ratio) > limits.viscosity_spread and abs(value - middle) > limits.significance * np.hypot(error, spread):
            text = (
                f"Liquid viscosity {value * 1e3:.2f} mPa·s, {ratio:+.0%} from the {middle * 1e3:.2f} mPa·s of the "
                "other wells of this sample: unequal dilution or fill."
            )
            yield QualitySign("viscosity_disagreement", name, "flag", text)
