"""A knock on the bench: bad pushes that fall together in several wells."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import PushFlag
from stanch.findings.quality_records import Thresholds, WellEvidence
from stanch.findings.quality_series import RUN
from stanch.findings.records import QualitySign

__all__ = ["knock"]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

BAD = PushFlag.KNOCK | PushFlag.DRIFT | PushFlag.MISFIT | PushFlag.NO_CONVERGENCE
"""Flags of a push that a knock can cause. Decorrelation is not among them: blood that is setting decorrelates by
itself, and all wells of a run may set together."""


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
