"""Forecast of plateau, early modulus and retention from a curve known only up to now."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stanch.curve.posterior import CurveSettings, smooth
from stanch.curve.records import Curve
from stanch.errors import InputError
from stanch.estimate import Estimate
from stanch.mechanics.records import LOG_OFFSET, Moduli
from stanch.readings import functionals
from stanch.readings.definitions import Definitions
from stanch.readings.forecast import targets
from stanch.readings.forecast.analogues import DECLINES, LEVELS, PATHS, Continued, Discrepancy, continued
from stanch.readings.forecast.library import Candidates, candidates
from stanch.readings.forecast.phase import phase_of
from stanch.readings.forecast.records import FORECAST_KEYS, NOT_A_READING, Forecast, KineticPrior, Margin
from stanch.readings.progress import first_pushes
from stanch.readings.read import REST, SETTLE

__all__ = ["Forecaster", "Raw", "curve_until", "forecast", "margin_key"]

Floats = NDArray[np.float64]

UNIT = {"early_modulus": "Pa", "plateau": "Pa", "retention": "1"}
DRAWS = 500
UNKNOWN = 4.0
"""Misfit over what held-out samples had, beyond which nothing is forecast [-]."""
MISSING_PAIR = 0.5
"""Share of draws without a retention above which none is forecast [-]."""
LEAST_HALF_WIDTH = 5e-3
"""Half-width that draws have at least before stretching, on the scale of margins [-]."""
REACH = 2.0
"""How far a stretched interval may go at most, over the highest value of the library [-]."""
_FAST = CurveSettings(mixture=4, resampled=2)


class Raw:
    """Draws of one quantity before they are stretched.

    Parameters
    ----------
    key : str
    samples : ndarray, shape (draw,)
        [SI unit]; NaN where a draw has none.
    ready : ndarray, shape (draw,)
        When the ordinary reading would stand [s].
    found : Continued
    phase : str
    highest : float
        Of the library [SI unit].
    """

    def __init__(
        self, key: str, samples: Floats, ready: Floats, found: Continued, phase: str, highest: float = math.inf
    ) -> None:
        self.key, self.samples, self.ready, self.highest = key, samples, ready, highest
        self.effective, self.misfit, self.phase = found.effective, found.misfit, phase
        self.surprise = found.surprise

    def distances(self) -> tuple[float, Floats]:
        """Median of the draws and their sorted distances from it, before stretching [-]."""
        logs = np.sort(to_log(self.key, self.samples[np.isfinite(self.samples)]))
        middle = float(np.median(logs))
        # Few analogues know little of their own spread.
        away = (logs - middle) * math.sqrt(1.0 + 1.0 / max(self.effective, 1.0))
        # A distance of nothing could not be stretched.
        least = np.linspace(-1.0, 1.0, logs.size) * LEAST_HALF_WIDTH
        return middle, np.where(np.abs(away) < np.abs(least), least, away)


def to_log(key: str, value: Floats) -> Floats:
    """The scale of margins: ln(G + 10 Pa) of a modulus, a retention itself [-]."""
    return value if key == "retention" else np.log(value + LOG_OFFSET)


def from_log(key: str, value: Floats) -> Floats:
    """Back from the scale of margins [SI unit]."""
    return np.maximum(value if key == "retention" else np.exp(value) - LOG_OFFSET, 0.0)


def margin_key(key: str, wells: str, phase: str) -> str:
    """Where a margin is kept."""
    return f"{key} | {wells} | {phase}"


def curve_until(moduli: Moduli, now: float, *, offset: float = 0.0, seed: int = 0) -> Curve | None:
    """The curve from the pushes up to now and no later one.

    Parameters
    ----------
    moduli : Moduli
        Times since recorded activation.
    now : float
        Since true activation [s].
    offset : float
        True minus recorded activation [s].
    seed : int

    Returns
    -------
    Curve or None
        None while fewer than four pushes are usable.
    """
    count = int(np.searchsorted(moduli.push_time, now + offset + 1e-9))
    cut = first_pushes(moduli, count)
    if int(cut.usable.sum()) < 4:
        return None
    return smooth(cut, seed=seed, paths=PATHS, settings=_FAST)


class Forecaster:
    """Forecasts of the wells of one assay from one prior.

    Parameters
    ----------
    prior : KineticPrior
    definitions : Definitions, optional
        How curves are read; by default as when the prior was learnt.
    seed : int
        Of every random draw.
    """

    def __init__(self, prior: KineticPrior, definitions: Definitions | None = None, *, seed: int = 0) -> None:
        self.prior = prior
        self.definitions = definitions or prior.definitions
        self._seed = seed
        self._candidates: dict[tuple[str, ...], Candidates] = {}
        self._highest: dict[tuple[str, ...], float] = {}

    def knows(self, *classes: str) -> bool:
        """Whether the library holds samples with all these classes of wells."""
        library = self.prior.library
        if any(one not in library for one in classes):
            return False
        return bool(np.all([np.isfinite(library[one]).all(axis=1) for one in classes], axis=0).any())

    def well(self, curve: Curve | None, wells: str, now: float, *, offset: float = 0.0) -> dict[str, Forecast]:
        """Early modulus and plateau of one well.

        Parameters
        ----------
        curve : Curve or None
            From pushes up to now only; None before there are enough.
        wells : str
            Class of the well.
        now : float
            Since activation [s].
        offset : float
            True minus recorded activation [s].

        Returns
        -------
        dict of str to Forecast
            By quantity.
        """
        if not self.knows(wells):
            return {key: self._unknown(key, now, wells) for key in ("early_modulus", "plateau")}
        return {raw.key: self._stretched(raw, wells, now) for raw in self.raw_well(curve, wells, now, offset=offset)}

    def pair(
        self,
        curves: tuple[Curve | None, Curve | None],
        classes: tuple[str, str],
        now: float,
        *,
        offsets: tuple[float, float] = (0.0, 0.0),
    ) -> Forecast:
        """Retention of a pair of wells.

        Parameters
        ----------
        curves : tuple of two Curve or None
            Without and with the antifibrinolytic, from pushes up to now only.
        classes : tuple of two str
        now : float
            Since activation [s].
        offsets : tuple of two float
            True minus recorded activation [s].

        Returns
        -------
        Forecast
        """
        if not self.knows(*classes):
            return self._unknown("retention", now, " with ".join(classes))
        raw = self.raw_pair(curves, classes, now, offsets=offsets)
        if float(np.mean(~np.isfinite(raw.samples))) > MISSING_PAIR:
            why = "the clot ages in common would be too short for a retention within the run."
            return self._none(raw, now, why)
        return self._stretched(raw, " / ".join(classes), now)

    def raw_well(self, curve: Curve | None, wells: str, now: float, *, offset: float = 0.0) -> tuple[Raw, ...]:
        """Draws of early modulus and plateau at a time [s] before they are stretched [Pa]."""
        found = self._continued([curve], (wells,), now, [offset])
        time, paths = found.time, found.paths[0]
        phase = phase_of(curve, now, self.definitions.onset_modulus, offset)
        early, onset = targets.early_modulus(time, paths, self.definitions)
        top, ends = functionals.highest_mean(time, paths)
        highest = self._top((wells,))
        return (
            Raw("early_modulus", early, onset + self.definitions.hold + SETTLE, found, phase, highest),
            Raw("plateau", top, np.minimum(ends + REST, time[-1]), found, phase, highest),
        )

    def raw_pair(
        self,
        curves: tuple[Curve | None, Curve | None],
        classes: tuple[str, str],
        now: float,
        *,
        offsets: tuple[float, float] = (0.0, 0.0),
    ) -> Raw:
        """Draws of the retention at a time [s] before they are stretched [-]."""
        found = self._continued(list(curves), classes, now, list(offsets), DECLINES)
        kept = targets.retention(found.time, found.paths[0], found.paths[1], self.definitions)
        phase = phase_of(curves[0], now, self.definitions.onset_modulus, offsets[0])
        latest = np.maximum(kept.without, kept.under) + self.definitions.hold + self.definitions.follow + SETTLE
        return Raw("retention", kept.value, np.minimum(latest, found.time[-1]), found, phase, self._top(classes))

    def _top(self, classes: tuple[str, ...]) -> float:
        """Highest modulus of a class of wells [Pa], or retention of a pair [-], in the library."""
        if classes not in self._highest:
            known = self._candidates[classes]
            paths = [from_log("plateau", curves) for curves in known.curves]
            if len(classes) == 1:
                self._highest[classes] = float(paths[0].max())
            else:
                kept = targets.retention(known.time, paths[0], paths[1], self.definitions).value
                self._highest[classes] = float(np.max(kept, where=np.isfinite(kept), initial=1.0))
        return self._highest[classes]

    def _continued(
        self,
        curves: list[Curve | None],
        classes: tuple[str, ...],
        now: float,
        offsets: list[float],
        allowed: Discrepancy = LEVELS,
    ) -> Continued:
        if not 0.0 <= now <= self.prior.run:
            raise InputError("now", got=f"{now:g} s", allowed=f"0 to the {self.prior.run:g} s of the prior's runs")
        if classes not in self._candidates:
            rows = [self.prior.library[one] for one in classes]
            self._candidates[classes] = candidates(self.prior.time, rows, self.prior.run, self._seed)
        return continued(curves, self._candidates[classes], now, offsets, self._seed, DRAWS, allowed)

    def _margin(self, raw: Raw, wells: str) -> Margin | None:
        """That of the class of wells in this phase, else of all wells in it."""
        margins = self.prior.margins
        return margins.get(margin_key(raw.key, wells, raw.phase)) or margins.get(margin_key(raw.key, "", raw.phase))

    def _stretched(self, raw: Raw, wells: str, now: float) -> Forecast:
        margin = self._margin(raw, wells)
        if margin is None:
            return self._none(
                raw, now, f"too few held-out samples were ever {raw.phase} to say how far it can be trusted."
            )
        beyond = max(raw.misfit / max(margin.misfit, 1e-9), raw.surprise / max(margin.surprise, 1e-9))
        if beyond > UNKNOWN:
            return self._none(raw, now, "no curve of the prior is like what is seen.")
        samples = stretched(raw, margin, math.sqrt(max(beyond, 1.0)))
        ready = float(np.median(raw.ready))
        wide = " Widened: few curves of the prior are like what is seen." if beyond > 1.0 else ""
        why = f"{NOT_A_READING}; it was stretched on {margin.count} held-out forecasts, {raw.phase}.{wide}"
        estimate = Estimate.from_samples(samples, UNIT[raw.key], status="provisional", why=why)
        ahead = max(ready - now, 0.0) if math.isfinite(ready) else None
        return Forecast(raw.key, now, estimate, samples, ahead, raw.effective, raw.misfit, raw.surprise, raw.phase)

    def _none(self, raw: Raw, now: float, why: str) -> Forecast:
        estimate = Estimate.unavailable(UNIT[raw.key], f"{NOT_A_READING}: {why}")
        return Forecast(raw.key, now, estimate, np.empty(0), None, raw.effective, raw.misfit, raw.surprise, raw.phase)

    def _unknown(self, key: str, now: float, wells: str) -> Forecast:
        why = f"{NOT_A_READING}: the prior holds no well like {wells}."
        return Forecast(key, now, Estimate.unavailable(UNIT[key], why), np.empty(0), None, 0.0, 0.0, 0.0, "")


def stretched(raw: Raw, margin: Margin, wider: float = 1.0) -> Floats:
    """Draws with their distances from the median stretched below and above, as far as blood can go [SI unit]."""
    middle, away = raw.distances()
    samples = from_log(raw.key, middle + np.where(away < 0.0, away * margin.down, away * margin.up) * wider)
    # Distances stretched on a log scale would soon be those of steel.
    return np.minimum(samples, max(REACH * raw.highest, float(np.nanmax(raw.samples))))


def forecast(
    curve_now: Curve | None,
    prior: KineticPrior,
    *,
    now: float,
    quantity: str,
    well: str,
    definitions: Definitions | None = None,
    partner: tuple[Curve | None, str] | None = None,
    offset: float = 0.0,
    seed: int = 0,
) -> Forecast:
    """Forecast one quantity.

    Parameters
    ----------
    curve_now : Curve or None
        From pushes up to now only (:func:`curve_until`); None before there are enough, then the prior alone speaks.
    prior : KineticPrior
    now : float
        Since activation [s].
    quantity : str
        early_modulus, plateau (highest two-minute mean by the end of the prior's run) or retention.
    well : str
        Class of the well (:func:`stanch.readings.forecast.library.well_class`).
    definitions : Definitions, optional
        By default those the prior was learnt with.
    partner : tuple of (Curve or None, str), optional
        For retention: curve and class of the well with the antifibrinolytic.
    offset : float
        True minus recorded activation of both wells [s].
    seed : int

    Returns
    -------
    Forecast
        Its estimate is ``provisional`` or ``unavailable`` with the reason.

    Raises
    ------
    InputError
        If the quantity is unknown, a partner is missing, or `now` is outside the prior's runs.
    """
    if quantity not in FORECAST_KEYS:
        raise InputError("quantity", got=quantity, allowed=", ".join(FORECAST_KEYS))
    teller = Forecaster(prior, definitions, seed=seed)
    if quantity != "retention":
        return teller.well(curve_now, well, now, offset=offset)[quantity]
    if partner is None:
        raise InputError("partner", got=None, allowed="curve and class of the well with the antifibrinolytic")
    return teller.pair((curve_now, partner[0]), (well, partner[1]), now, offsets=(offset, offset))
