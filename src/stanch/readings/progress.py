"""Readings while a run is going on: provisional, then frozen, then perhaps amended.

Every reading is recomputed from all pushes so far, so feeding pushes one at a time ends where the whole recording
does. A reading is frozen once its anchor is confirmed and enough later pushes have passed (``read_well`` then calls it
``ok``, or a plateau is reached); from then on the frozen number is shown. Where later pushes move it by more than a
quarter of its interval, the new number takes its place as an amended version, with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stanch.curve.posterior import CurveSettings, smooth
from stanch.curve.records import Curve
from stanch.errors import InputError
from stanch.estimate import Estimate
from stanch.mechanics.records import Moduli
from stanch.readings.definitions import Definitions
from stanch.readings.read import read_well
from stanch.readings.records import Reading, WellReadings

__all__ = ["AMEND_SHARE", "Progress", "Version", "first_pushes"]

AMEND_SHARE = 0.25
"""Share of the frozen interval's half-width by which a reading may move before it is amended [-]."""


@dataclass(frozen=True)
class Version:
    """One version of a reading that was given out as final.

    Parameters
    ----------
    key : str
        Of the reading.
    number : int
        1 is the frozen one, later ones are amended [-].
    estimate : Estimate
        In SI units.
    pushes : int
        How many pushes it rests on [-].
    reason : str
        Why it replaces the version before; empty for the first.
    """

    key: str
    number: int
    estimate: Estimate
    pushes: int
    reason: str


class Progress:
    """The readings of one well while its pushes come in.

    Parameters
    ----------
    definitions : Definitions
    seed : int
        Of the sample paths and of the activation jitter.
    paths : int
        Number of sample paths [-].
    activation_offset, activation_sd, systematic, well
        As in ``read_well``.
    settings : CurveSettings, optional
    """

    def __init__(
        self,
        definitions: Definitions,
        *,
        seed: int,
        paths: int = 1000,
        activation_offset: float = 0.0,
        activation_sd: float | None = 0.0,
        systematic: float | None = None,
        well: str = "",
        settings: CurveSettings | None = None,
    ) -> None:
        self._definitions = definitions
        self._seed = seed
        self._paths = paths
        self._offset, self._sd = activation_offset, activation_sd
        self._systematic = systematic
        self._well = well
        self._settings = settings
        self._shown: dict[str, Reading] = {}
        self._versions: list[Version] = []
        self._pushes = 0
        self.curve: Curve | None = None

    @property
    def versions(self) -> tuple[Version, ...]:
        """Every version given out as final, oldest first."""
        return tuple(self._versions)

    def update(self, moduli: Moduli, *, complete: bool = False) -> WellReadings:
        """Take the moduli of all pushes so far and return the readings to show.

        Parameters
        ----------
        moduli : Moduli
            Of all pushes so far; a joint fit may have revised the earlier ones.
        complete : bool
            Whether the run has ended.

        Returns
        -------
        WellReadings
            Frozen readings as frozen or amended, the others as they stand.

        Raises
        ------
        InputError
            If there are fewer pushes than before, or fewer than four usable ones.
        """
        count = int(moduli.push_time.size)
        if count < self._pushes:
            raise InputError("moduli", got=f"{count} pushes", allowed=f"at least the {self._pushes} of the last update")
        self._pushes = count
        self.curve = smooth(moduli, seed=self._seed, paths=self._paths, settings=self._settings)
        now = read_well(
            self.curve,
            self._definitions,
            activation_offset=self._offset,
            activation_sd=self._sd,
            seed=self._seed,
            complete=complete,
            systematic=self._systematic,
            well=self._well,
        )
        return replace(now, readings=tuple(self._settle(reading, complete) for reading in now.readings))

    def _settle(self, reading: Reading, complete: bool) -> Reading:
        """Freeze a reading that is final, hold one that was frozen, amend one that moved."""
        before = self._shown.get(reading.key)
        if before is None:
            if reading.estimate.status == "ok":
                self._give_out(reading, "")
            return reading
        moved = _moved(before.estimate, reading.estimate)
        if moved:
            reason = f"{moved}, once {self._pushes} pushes were in."
            settled = reading
            if reading.estimate.status == "provisional":
                settled = replace(reading, estimate=replace(reading.estimate, status="ok"))
            self._give_out(settled, reason)
            return settled
        if complete:
            self._shown[reading.key] = reading
            return reading
        return before

    def _give_out(self, reading: Reading, reason: str) -> None:
        number = 1 + sum(version.key == reading.key for version in self._versions)
        self._shown[reading.key] = reading
        self._versions.append(Version(reading.key, number, reading.estimate, self._pushes, reason))


def _moved(frozen: Estimate, now: Estimate) -> str:
    """What changed beyond what is tolerated; empty where nothing did."""
    if frozen.value is None and now.value is None and frozen.status == now.status:
        return ""
    if frozen.value is None or now.value is None:
        then, later = (e.status if e.value is None else f"{e.value:.6g} {e.unit}" for e in (frozen, now))
        return f"It changed from {then} to {later}"
    ends = [end for end in (frozen.low, frozen.high) if end is not None]
    half = max((abs(end - frozen.value) for end in ends), default=0.0)
    if abs(now.value - frozen.value) <= AMEND_SHARE * half:
        return ""
    return f"It moved from {frozen.value:.6g} to {now.value:.6g} {frozen.unit}"


def first_pushes(moduli: Moduli, count: int) -> Moduli:
    """The first `count` pushes, with the covariance they have among themselves."""
    if not 0 <= count <= moduli.push_time.size:
        raise InputError("count", got=count, allowed=f"0 to {moduli.push_time.size} pushes")
    cut: dict[str, object] = {}
    for name, value in vars(moduli).items():
        if isinstance(value, np.ndarray):
            cut[name] = value[:count, :count] if name == "covariance" else value[:count]
    if moduli.rheology is not None:
        cut["rheology"] = moduli.rheology.first(count)
    return replace(moduli, **cut)  # type: ignore[arg-type]
