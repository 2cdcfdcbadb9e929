"""Every hold judged: prediction error, decisions, time saved, availability; and the smallest that will do."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.groups import places
from stanch.verify.hold.accuracy import Accuracy, accuracy
from stanch.verify.hold.decisions import Decisions, decisions
from stanch.verify.hold.donors import clustered_share, merged, renumbered, resampled, worth
from stanch.verify.hold.predict import folds_of, out_of_sample
from stanch.verify.hold.survival import masses, quantile_interval, share_variance
from stanch.verify.intervals import share_interval
from stanch.verify.records import Bounded, Outcome

__all__ = ["HoldResult", "HoldStudy", "hold_study"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Whole = NDArray[np.intp]

LARGE = 4000
"""Curves beyond which the spread of a Kaplan-Meier share comes from its influence values instead of resamples [-]."""


@dataclass(frozen=True)
class HoldResult:
    """One hold.

    Parameters
    ----------
    hold : float
        After onset [unit].
    available : Bounded
        Share of all curves that have the reading [-].
    accuracy : Accuracy or None
        Null with the reason in `why`.
    decisions : tuple of Decisions
    saved : Bounded
        Median time from the reading to plateau entry [unit].
    correlation : Bounded
        Of the logarithms, exact plateaus only: inflated, since the early value is part of the same curve [-].
    slope, intercept : float or None
        Of the fit to all curves, on logarithms [-].
    why : str
    predicted : ndarray, shape (n,)
        Out-of-sample predicted plateau; NaN for curves without the reading, empty where not kept [unit].
    """

    hold: float
    available: Bounded
    accuracy: Accuracy | None
    decisions: tuple[Decisions, ...]
    saved: Bounded
    correlation: Bounded
    slope: float | None
    intercept: float | None
    why: str
    predicted: Floats


@dataclass(frozen=True)
class HoldStudy:
    """All holds and what follows.

    Parameters
    ----------
    holds : tuple of HoldResult
        In rising order.
    smallest : float or None
        Smallest hold such that it and every longer one that can be judged stays within the allowed error [unit].
    stopped_at : float or None
        Hold at which the claim ended [unit].
    skipped : tuple of float
        Holds with too few curves for any upper limit; they are passed over [unit].
    outcome : str
    curves, donors, open : int
        Curves with a plateau, their donors, and plateaus known only as a bound.
    resamples : int
        Drawn.
    """

    holds: tuple[HoldResult, ...]
    smallest: float | None
    stopped_at: float | None
    skipped: tuple[float, ...]
    outcome: Outcome
    curves: int
    donors: int
    open: int
    resamples: int


def hold_study(
    early: ArrayLike,
    plateau: ArrayLike,
    plateau_open: ArrayLike,
    holds: Sequence[float],
    *,
    donor: ArrayLike | None = None,
    onset: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    entry_open: ArrayLike | None = None,
    limits: Sequence[float] = (),
    positive: Literal["below", "above"] = "below",
    allowed: float | None = None,
    folds: int = 0,
    alpha: float = 0.05,
    resamples: int = 1000,
    seed: int = 0,
    unit: str = "min",
    predictions: bool = True,
) -> HoldStudy:
    """Judge every hold.

    Parameters
    ----------
    early : array_like, shape (curve, hold)
        Modulus at onset + hold, NaN where there is none [Pa].
    plateau : array_like, shape (curve,)
        [Pa].
    plateau_open : array_like of bool, shape (curve,)
        Still rising: the plateau is at least that.
    holds : sequence of float
        [unit].
    donor : array_like of str, shape (curve,), optional
        By default every curve is its own donor.
    onset, entry : array_like, shape (curve,), optional
        Onset and plateau entry since activation, for the time saved [unit].
    entry_open : array_like of bool, shape (curve,), optional
        Entries that are only known to be later.
    limits : sequence of float
        Decision limits of the plateau [Pa].
    positive : str
        Which side counts as positive.
    allowed : float, optional
        Largest absolute relative error of 90 % of predictions [%].
    folds : int
        0: every donor by all others up to 200 donors, ten folds beyond.
    alpha : float
        Of each one-sided limit; intervals have level 1 - 2 alpha [-].
    resamples, seed : int
    unit : str
        Of times.
    predictions : bool
        Whether every hold keeps its predictions, which for very many curves take most of the memory, or only the
        smallest hold claimed, and the longest where none is.

    Returns
    -------
    HoldStudy

    Raises
    ------
    InputError
        If no curve has a plateau above zero.

    Notes
    -----
    The smallest hold is found from the longest down, each at alpha, until one fails: a fixed sequence, so that looking
    at many holds does not make a wrong claim likelier.
    """
    g, top = np.asarray(early, dtype=np.float64), np.asarray(plateau, dtype=np.float64)
    hidden = np.asarray(plateau_open, dtype=bool)
    if g.ndim != 2 or g.shape != (top.size, len(holds)) or hidden.size != top.size:
        raise InputError("early readings", got=g.shape, allowed=f"{top.size} curves by {len(holds)} holds")
    for limit in limits:
        if not (limit > 0 and math.isfinite(limit)):
            raise InputError("decision limit", got=limit, allowed="a number above 0")
    if allowed is not None and not (allowed > 0 and math.isfinite(allowed)):
        raise InputError("allowed error", got=allowed, allowed="a number above 0 %")
    if resamples < 100:
        raise InputError("draws", got=resamples, allowed="100 or more")
    who = np.arange(top.size) if donor is None else places(donor)
    sound = np.isfinite(top) & (top > 0)
    if int(sound.sum()) < 4 or np.unique(who[sound]).size < 3:
        raise InputError("curves with a plateau", got=int(sound.sum()), allowed="four or more, of three or more donors")
    times = None
    if onset is not None and entry is not None:
        late = np.zeros(top.size, dtype=bool) if entry_open is None else np.asarray(entry_open, dtype=bool)
        times = (np.asarray(onset, dtype=np.float64), np.asarray(entry, dtype=np.float64), late)
    order = np.argsort(np.asarray(holds, dtype=np.float64), kind="stable")
    setting = (tuple(limits), positive, folds, 1 - 2 * alpha, resamples, seed, unit, predictions)
    known = _Known(top, hidden, who, sound, times)
    made: list[HoldResult] = []
    blind: _Blind | None = None
    for k in order:
        one, blind = _one(float(holds[k]), g[:, k], known, setting, blind)
        made.append(one)
    found = tuple(made)
    smallest, stopped, skipped, outcome = _smallest(found, allowed, alpha)
    if not predictions:
        shown = next((k for k, one in enumerate(found) if one.hold == smallest), len(found) - 1)
        kept = _predictions(g[:, order[shown]], known, folds, seed)
        found = (*found[:shown], replace(found[shown], predicted=kept), *found[shown + 1 :])
    return HoldStudy(
        found,
        smallest,
        stopped,
        skipped,
        outcome,
        int(sound.sum()),
        int(np.unique(who[sound]).size),
        int((hidden & sound).sum()),
        resamples,
    )


Setting = tuple[tuple[float, ...], Literal["below", "above"], int, float, int, int, str, bool]
Times = tuple[Floats, Floats, Flags]
_Blind = tuple[Flags, Whole, Floats]


@dataclass(frozen=True)
class _Known:
    """What all holds share: plateaus, donors, times."""

    top: Floats
    hidden: Flags
    who: Whole
    sound: Flags
    times: Times | None


def _one(
    hold: float, early: Floats, known: _Known, setting: Setting, last: _Blind | None
) -> tuple[HoldResult, _Blind | None]:
    """One hold; where the curves are those of the last one, so are folds and predictions without a reading."""
    limits, positive, folds, level, draws, seed, unit, keep = setting
    top, who = known.top, known.who
    has = np.isfinite(early) & (early > 0)
    available = _available(has, who, level, draws, seed)
    saved = _saved(hold, has, who, known.times, level, draws, seed, unit)
    use = has & known.sound
    kept = np.full(top.size, np.nan) if keep else np.zeros(0)
    none = Bounded.missing("No prediction at this hold.", "1")
    try:
        if use.sum() < 4:
            raise InputError("curves", got=int(use.sum()), allowed="four or more with this reading and a plateau")
        x, y, h, donor = np.log(early[use]), np.log(top[use]), known.hidden[use], who[use]
        if last is None or not np.array_equal(last[0], use):
            fold = folds_of(donor, folds=folds, seed=seed)
            last = (use, fold, out_of_sample(None, y, h, fold))
        _, fold, blind = last
        out = out_of_sample(x, y, h, fold)
    except InputError as error:
        return HoldResult(hold, available, None, (), saved, none, None, None, str(error), kept), last
    predicted = np.exp(np.clip(out, -700, 700))
    if keep:
        kept[use] = predicted
    right = accuracy(out, y, h, donor, blind, level=level, resamples=draws, seed=seed)
    decided = tuple(
        decisions(
            predicted,
            top[use],
            h,
            donor,
            limit,
            positive=positive,
            level=level,
            resamples=draws,
            seed=seed,
        )
        for limit in limits
    )
    slope, intercept = _line(x, y, h)
    correlation = _correlation(x[~h], y[~h])
    return HoldResult(hold, available, right, decided, saved, correlation, slope, intercept, "", kept), last


def _predictions(early: Floats, known: _Known, folds: int, seed: int) -> Floats:
    """Out-of-sample predictions of one hold; all NaN where there are none."""
    kept = np.full(early.size, np.nan)
    use = np.isfinite(early) & (early > 0) & known.sound
    with contextlib.suppress(InputError):
        fold = folds_of(known.who[use], folds=folds, seed=seed)
        out = out_of_sample(np.log(early[use]), np.log(known.top[use]), known.hidden[use], fold)
        kept[use] = np.exp(np.clip(out, -700, 700))
    return kept


def _line(x: Floats, y: Floats, hidden: Flags) -> tuple[float, float]:
    from stanch.verify.censored import censored_fit

    fit = censored_fit(np.column_stack([np.ones(x.size), x]), y, None, hidden)
    return float(fit.coefficients[1]), float(fit.coefficients[0])


def _correlation(x: Floats, y: Floats) -> Bounded:
    if x.size < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return Bounded.missing("Too few different exact plateaus.", "1")
    r = float(np.clip(np.corrcoef(x, y)[0, 1], -1.0, 1.0))
    return Bounded(r, unit="1", why="Inflated: the early value is part of the same curve as the plateau.")


def _available(has: Flags, who: Whole, level: float, draws: int, seed: int) -> Bounded:
    donors = int(who.max()) + 1
    share = float(has.mean())
    if donors == has.size:
        return share_interval(int(has.sum()), has.size, level=level)
    group = merged(who, seed)
    by, of = np.bincount(group, has), np.bincount(group)
    again = np.concatenate([(w @ by) / (w @ of) for w in resampled(of.size, draws, seed, of.size)])
    effective = float(donors) if share in (0.0, 1.0) else worth(again, share, has.size)
    return clustered_share(share, effective, level=level)


def _saved(
    hold: float, has: Flags, who: Whole, times: Times | None, level: float, draws: int, seed: int, unit: str
) -> Bounded:
    if times is None:
        return Bounded.missing("Needs onset and plateau entry.", unit)
    onset, entry, late = times
    use = has & np.isfinite(onset) & np.isfinite(entry)
    if use.sum() < 2:
        return Bounded.missing("Fewer than two curves have the reading.", unit)
    gain, hidden = (entry - onset)[use] - hold, late[use]
    names = renumbered(who[use])
    donors = int(names.max()) + 1
    found = masses(gain, hidden)
    effective = float(gain.size)
    middle = quantile_interval(found.value, found.mass, 0.5, effective=effective, level=level, unit=unit)
    if middle.value is None or (donors == gain.size and not hidden.any()) or donors < 2:
        return middle
    if gain.size > LARGE:
        variance = share_variance(gain, hidden, names, middle.value)
        effective = min(float(gain.size), 0.25 / variance) if variance > 0 else float(gain.size)
        return quantile_interval(found.value, found.mass, 0.5, effective=effective, level=level, unit=unit)
    shares = [
        (masses(gain, hidden, w[:, names]).mass * (found.value <= middle.value)).sum(axis=-1)
        for w in resampled(donors, draws, seed, gain.size)
    ]
    effective = worth(np.concatenate(shares), 0.5, gain.size)
    return quantile_interval(found.value, found.mass, 0.5, effective=effective, level=level, unit=unit)


def _smallest(
    found: tuple[HoldResult, ...], allowed: float | None, alpha: float
) -> tuple[float | None, float | None, tuple[float, ...], Outcome]:
    if allowed is None:
        return None, None, (), "no limit stated"
    smallest: float | None = None
    skipped: list[float] = []
    for one in reversed(found):
        error = None if one.accuracy is None else one.accuracy.ninety
        if error is None or one.accuracy is None or 0.9**one.accuracy.n > alpha:
            # How many curves there are decides this, never what they read: that would spoil the sequence.
            skipped.append(one.hold)
            continue
        if error.high is None or error.high > allowed:
            if smallest is not None:
                return smallest, one.hold, tuple(skipped), "met"
            plain = [o.accuracy.ninety.low for o in found if o.accuracy is not None]
            failed = bool(plain) and all(low is not None and low > allowed for low in plain)
            return None, one.hold, tuple(skipped), "not met" if failed else "undecided"
        smallest = one.hold
    return smallest, None, tuple(skipped), "met" if smallest is not None else "undecided"
