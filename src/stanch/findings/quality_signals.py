"""Quality signs read from the echoes and from the moduli."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement, PushFlag
from stanch.findings.quality_records import Thresholds, WellEvidence
from stanch.findings.records import QualitySign
from stanch.mechanics.records import Moduli

__all__ = [
    "already_set",
    "bubble",
    "coupling_loss",
    "knock",
    "poor_mixing",
    "sedimentation",
    "silent_end",
    "strain",
    "viscosity_disagreement",
]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

SET_COHERENCE = 0.85
"""Slow coherence from which a zone counts as set: a frozen clot is near 1; in liquid the few speckle cells of a zone
reach 0.7 by chance."""
RUN = 3
"""Consecutive pushes that must agree before a change counts."""
BAD = PushFlag.KNOCK | PushFlag.DRIFT | PushFlag.MISFIT | PushFlag.NO_CONVERGENCE
"""Flags of a push that a knock can cause. Decorrelation is not among them: blood that is setting decorrelates by
itself, and all wells of a run may set together."""


def strain(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """Pushes that strained the blood more than its linear range."""
    if one.moduli is None:
        return
    value = np.where(np.isfinite(one.moduli.strain), one.moduli.strain, 0.0)
    pushes = np.flatnonzero(value > limits.strain)
    if pushes.size:
        text = (
            f"{pushes.size} of {value.size} pushes strained the blood above {limits.strain:.0%}, up to "
            f"{float(value.max()):.0%}: a clot stiffens with strain, so the modulus may read high."
        )
        yield QualitySign("strain", one.well.name, "flag", text, _tuple(pushes))


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
    level = _decibel(d.energy)
    excess = np.empty_like(level)
    bins, whole = level.shape[1], np.median(level, axis=1)
    for k in range(bins):
        near = [j for j in range(max(0, k - 5), min(bins, k + 6)) if abs(j - k) >= 2]
        # Beside a silent end the neighbours are no measure; the line as a whole is.
        excess[:, k] = level[:, k] - np.maximum(np.median(level[:, near], axis=1), whole)
    seen = _lasting(excess > limits.bubble)
    gate = _in_gate(d)
    flagged = (d.flags & int(PushFlag.BUBBLE)) != 0
    inside = np.flatnonzero(seen[:, gate].any(axis=1) | flagged)
    beside = np.flatnonzero(seen[:, ~gate].any(axis=1))
    name = one.well.name
    if inside.size:
        refuse = inside.size > limits.bubble_refused * seen.shape[0]
        text = (
            f"A bright echo inside the tracking gate in {inside.size} of {seen.shape[0]} pushes: a bubble in the beam."
        )
        yield QualitySign("bubble", name, "refuse_well" if refuse else "refuse_push", text, _tuple(inside))
    elif beside.size:
        column = int(np.argmax(np.where(gate, -np.inf, np.where(seen, excess, -np.inf).max(axis=0))))
        text = (
            f"An echo {float(excess[beside, column].max()):.0f} dB above its neighbours at "
            f"{float(d.energy_depth[column]) * 1e3:+.1f} mm from the focus, outside the gate: a bubble beside the beam."
        )
        yield QualitySign("bubble", name, "flag", text, _tuple(beside))


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
    level = np.median(_decibel(d.energy), axis=0)
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
    level = np.median(_decibel(d.energy), axis=1)
    loss = np.zeros_like(level)
    for k in range(RUN, level.size):
        # Held against the best stretch so far, so that a loss which lasts is not taken as the new normal.
        window = level[max(0, k - 60) : k]
        kept = window[loss[max(0, k - 60) : k] < limits.coupling_weight]
        loss[k] = (float(np.median(kept[-20:])) if kept.size else loss[k - 1] + level[k - 1]) - level[k]
    lasting = _lasting((loss > limits.coupling_weight)[:, None])[:, 0]
    pushes = np.flatnonzero(lasting)
    if pushes.size:
        worst = float(loss[pushes].max())
        refused = pushes[loss[pushes] > limits.coupling_refuse]
        told = f"The echo of the whole line lost up to {worst:.0f} dB from push {int(pushes[0])} on: coupling was lost."
        if refused.size:
            yield QualitySign("coupling_loss", one.well.name, "refuse_push", told, _tuple(refused))
        weighted = np.setdiff1d(pushes, refused)
        if weighted.size:
            yield QualitySign("coupling_loss", one.well.name, "weight", told, _tuple(weighted))


def poor_mixing(one: WellEvidence, limits: Thresholds) -> Iterator[QualitySign]:
    """Zones of depth that set at different times."""
    d = one.displacement
    if d is None or d.zone_coherence.shape[0] < 2 * RUN or d.zone_coherence.shape[1] < 2:
        return
    holds = _from_here(d.zone_coherence >= SET_COHERENCE)
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
    liquid = _liquid_pushes(d)
    if liquid.size < 12:
        return
    half = d.energy.shape[1] // 2
    near, far = (_decibel(part.mean(axis=1)) for part in (d.energy[liquid, :half], d.energy[liquid, half:]))
    tilt = far - near
    time = d.push_time[liquid]
    slope, error = _line(time, tilt)
    drift = slope * float(time[-1] - time[0])
    if abs(drift) > limits.sedimentation and abs(slope) > limits.significance * error:
        minutes = float(time[-1] - time[0]) / 60
        text = (
            f"The echo profile tilted by {drift:+.1f} dB from the near to the far half in {minutes:.1f} min while "
            "liquid: cells were settling."
        )
        yield QualitySign("sedimentation", one.well.name, "flag", text, _tuple(liquid))


def knock(wells: Sequence[WellEvidence], limits: Thresholds) -> Iterator[QualitySign]:
    """Bad pushes that fall together in several wells: a knock on the bench.

    Notes
    -----
    An event needs at least half of the wells that were being read then, and at least two; nothing is said where the
    wells' own rates of bad pushes make such coincidences likely by chance.
    """
    tracks = [(one, *found) for one in wells if (found := _clock(one)) is not None]
    known = [t for t in tracks if t[1] is not None]
    if len(known) < 2:
        return
    start = min(float(times[0]) for _, times, _ in known)
    events: list[tuple[float, list[tuple[str, int]]]] = []
    moments = sorted((float(t), i, int(k)) for i, (_, times, bad) in enumerate(known) for k, t in _bad(times, bad))
    used: set[tuple[int, int]] = set()
    for at, i, k in moments:
        if (i, k) in used:
            continue
        members = [(j, m) for t, j, m in moments if 0 <= t - at <= limits.knock_window and (j, m) not in used]
        hit = {j for j, _ in members}
        running = sum(
            1 for _, times, _ in known if times[0] - limits.knock_window <= at <= times[-1] + limits.knock_window
        )
        if len(hit) >= max(2, (running + 1) // 2):
            events.append((at - start, [(known[j][0].well.name, m) for j, m in members]))
            used.update(members)
    if not events or _chance(known, events, limits) > limits.knock_chance:
        return
    for one, _, _ in known:
        pushes = sorted({m for _, members in events for name, m in members if name == one.well.name})
        if pushes:
            moments_text = ", ".join(f"{at / 60:.1f}" for at, members in events if one.well.name in dict(members))
            text = f"Bad pushes together with other wells {moments_text} min into the run: a knock on the bench."
            yield QualitySign("knock", one.well.name, "refuse_push", text, tuple(pushes))


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
        liquid = _liquid_moduli(m)
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


def _tuple(pushes: NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(int(k) for k in pushes)


def _decibel(energy: Floats) -> Floats:
    """Level of an energy, with a floor far below every echo [dB]."""
    top = float(energy.max()) if energy.size else 0.0
    floor = top * 1e-12 if top > 0 else 1.0
    return np.asarray(10.0 * np.log10(np.maximum(energy, floor)))


def _lasting(mask: Bools) -> Bools:
    """Keep entries that belong to a run of at least RUN pushes."""
    kept = np.zeros_like(mask)
    for shift in range(RUN):
        window = np.ones((mask.shape[0] - RUN + 1, mask.shape[1]), bool)
        for k in range(RUN):
            window &= mask[k : mask.shape[0] - RUN + 1 + k]
        kept[shift : shift + window.shape[0]] |= window
    return kept


def _from_here(mask: Bools) -> Bools:
    """Whether an entry begins a run of at least RUN pushes."""
    window = np.ones((mask.shape[0] - RUN + 1, mask.shape[1]), bool)
    for k in range(RUN):
        window &= mask[k : mask.shape[0] - RUN + 1 + k]
    return window


def _in_gate(d: Displacement) -> Bools:
    """Bins of the energy profile inside the tracking gate."""
    weighty = d.depth[np.asarray(d.sensitivity).max(axis=0) > 0]
    if weighty.size == 0:
        return np.zeros(d.energy_depth.shape, bool)
    step = float(np.median(np.abs(np.diff(d.energy_depth)))) if d.energy_depth.size > 1 else 0.0
    low, high = float(weighty.min()) - step / 2, float(weighty.max()) + step / 2
    return np.asarray((d.energy_depth >= low) & (d.energy_depth <= high))


def _liquid_pushes(d: Displacement) -> NDArray[np.intp]:
    """Pushes before the pre-push lines begin to hold together."""
    holds = d.slow_coherence >= SET_COHERENCE
    if holds.size < RUN:
        return np.empty(0, np.intp)
    begins = _from_here(holds[:, None])[:, 0]
    return np.arange(int(np.argmax(begins)) if begins.any() else holds.size)


def _liquid_moduli(m: Moduli) -> NDArray[np.intp]:
    """Usable pushes before the first run of pushes that are not liquid."""
    usable = np.flatnonzero(m.usable)
    if usable.size < RUN:
        return np.empty(0, np.intp)
    begins = _from_here(m.zero_rejected[usable][:, None])[:, 0]
    return usable[: int(np.argmax(begins)) if begins.any() else usable.size]


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Least-squares slope and its standard error."""
    dx = x - x.mean()
    slope = float((dx * (y - y.mean())).sum() / (dx**2).sum())
    rest = y - y.mean() - slope * dx
    return slope, float(np.sqrt((rest**2).sum() / max(y.size - 2, 1) / (dx**2).sum()))


def _clock(one: WellEvidence) -> tuple[Floats, Bools] | None:
    """Absolute times of the pushes [s] and which are bad; None where no clock is known."""
    source = one.moduli or one.displacement
    if source is None or one.well.activated_at is None or source.push_time.size < 4 * RUN:
        return None
    try:
        activated = datetime.fromisoformat(one.well.activated_at).timestamp()
    except ValueError:
        return None
    bad = (source.flags & int(BAD)) != 0
    if one.moduli is not None:
        chi = np.where(np.isfinite(one.moduli.reduced_chi2), one.moduli.reduced_chi2, np.nan)
        if np.isfinite(chi).sum() >= 4 * RUN:
            middle = np.nanmedian(chi)
            spread = 1.4826 * np.nanmedian(np.abs(chi - middle))
            bad = bad | (np.nan_to_num(chi, nan=0.0) > middle + 10 * max(spread, 0.05 * middle))
    return activated + source.push_time, np.asarray(bad)


def _bad(times: Floats, bad: Bools) -> Iterator[tuple[int, float]]:
    for k in np.flatnonzero(bad):
        yield int(k), float(times[k])


def _chance(
    known: Sequence[tuple[WellEvidence, Floats, Bools]],
    events: Sequence[tuple[float, list[tuple[str, int]]]],
    limits: Thresholds,
) -> float:
    """Expected number of coincidences by chance, the bad pushes of the events themselves left out."""
    taken = {one.well.name: 0 for one, _, _ in known}
    for _, members in events:
        for name, _ in members:
            taken[name] += 1
    rates, pushes = [], 0
    for one, times, bad in known:
        remaining = max(int(bad.sum()) - taken[one.well.name], 0)
        rates.append(remaining / max(times[-1] - times[0], 1.0) * limits.knock_window)
        pushes = max(pushes, times.size)
    ordered = sorted(rates, reverse=True)
    need = max(2, (len(known) + 1) // 2)
    chance = 1.0
    for rate in ordered[:need]:
        chance *= min(rate, 1.0)
    return chance * pushes
