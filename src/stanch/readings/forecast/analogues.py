"""Continuing a curve by library curves that agree with it so far.

A curve of one sample is taken to be a candidate y_k(t) plus a discrepancy d(t), an Ornstein-Uhlenbeck process. A joint
path of the wells up to now and a candidate belong together with the probability of their difference under that process,
so paths and candidates are drawn as pairs; d then runs on from where it stands. Wells of one sample share most of d.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.mechanics.records import LOG_OFFSET
from stanch.readings.forecast.library import GRID_STEP, Candidates

__all__ = ["DECLINES", "LEVELS", "Continued", "Discrepancy", "continued"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Discrepancy:
    """How a curve may differ from a candidate.

    Parameters
    ----------
    spread : float
        Standard deviation of d [-].
    memory : float
        Time over which it is forgotten [s].
    shared : float
        Correlation of d between wells of one sample [-].
    own : float
        Standard deviation of what every compared time has of its own [-].
    """

    spread: float
    memory: float
    shared: float
    own: float


LEVELS = Discrepancy(spread=0.08, memory=5000.0, shared=0.95, own=0.03)
"""For levels to come: a candidate must have grown as the curve did."""
DECLINES = Discrepancy(spread=0.3, memory=3000.0, shared=0.9956, own=0.015)
"""For a decline: how the clot grew says little of its lysis, how the two wells part says nearly all."""
LOOK_BACK = (0.0, 20.0, 40.0, 80.0, 150.0, 300.0, 600.0, 1200.0, 2400.0)
"""How long before now curves and candidates are compared [s]."""
LEAST_ANALOGUES = 8.0
"""Effective number of library samples that a forecast rests on at least [-]."""
PATHS = 100
"""Paths of the curve that are paired with candidates [-]."""
RECENT = 180.0
"""How long the last part of a curve is that an earlier forecast is held against [s]."""


class Continued(NamedTuple):
    """Whole curves drawn jointly.

    Attributes
    ----------
    time : ndarray, shape (time,)
        [s].
    paths : ndarray, shape (well, draw, time)
        [Pa].
    effective : float
        Effective number of library samples [-].
    misfit : float
        Mean squared distance of the nearest candidate over the discrepancy allowed [-].
    surprise : float
        Squared standard score of where the curve stands now in a forecast from three minutes ago; of two wells the
        larger [-].
    """

    time: Floats
    paths: Floats
    effective: float
    misfit: float
    surprise: float


def continued(
    curves: list[Curve | None],
    found: Candidates,
    now: float,
    offsets: list[float],
    seed: int,
    draws: int,
    allowed: Discrepancy = LEVELS,
) -> Continued:
    """Draw whole curves that agree with what was seen up to now.

    Parameters
    ----------
    curves : list of Curve or None
        Of the wells, made from pushes up to now only; None before there are enough pushes.
    found : Candidates
        For the same wells.
    now : float
        Time since activation [s].
    offsets : list of float
        True minus recorded activation of each well [s].
    seed : int
    draws : int
        How many [-].
    allowed : Discrepancy

    Returns
    -------
    Continued
    """
    rng = np.random.default_rng([seed, 12])
    time = found.time
    seen = [well for well, curve in enumerate(curves) if curve is not None]
    pasts = {well: _past(curves[well], time, offsets[well]) for well in seen}  # type: ignore[arg-type]
    pairs, weight, misfit, surprise = _paired(pasts, found, now, rng, draws, allowed)
    chosen = pairs[:, 1]
    shape = (len(curves), draws, time.size)
    paths = np.empty(shape)
    for well in range(len(curves)):
        # The wander is the same in every call: what is continued from one push more differs by what that push says.
        wander = _wander(seed, well, draws, time.size, allowed)
        base = found.curves[well, chosen]
        if well in pasts:
            past, first, last = pasts[well]
            paths[well] = _joined(base, past[pairs[:, 0]], first, last, wander, allowed)
        else:
            paths[well] = base + wander
    values = np.exp(paths)
    values -= LOG_OFFSET
    by_sample = np.bincount(found.sample, weights=weight)
    return Continued(time, np.maximum(values, 0.0, out=values), float(1.0 / np.sum(by_sample**2)), misfit, surprise)


def _past(curve: Curve, time: Floats, offset: float) -> tuple[Floats, int, int]:
    """ln(G + 10 Pa) of the first paths on the even grid, and the first and last grid index inside the curve."""
    own = curve.time - offset
    first = int(np.searchsorted(time, own[0] - 1e-9))
    last = int(np.searchsorted(time, own[-1] + 1e-9)) - 1
    inside = time[first : last + 1]
    paths = curve.paths[:PATHS]
    step = (own[-1] - own[0]) / (own.size - 1)
    u = np.clip((inside - own[0]) / step, 0.0, own.size - 1.0)
    left = np.minimum(u.astype(np.int64), own.size - 2)
    share = u - left
    values = np.full((paths.shape[0], time.size), np.nan)
    values[:, first : last + 1] = np.log((1.0 - share) * paths[:, left] + share * paths[:, left + 1] + LOG_OFFSET)
    return values, first, last


def _paired(
    pasts: dict[int, tuple[Floats, int, int]],
    found: Candidates,
    now: float,
    rng: np.random.Generator,
    draws: int,
    allowed: Discrepancy,
) -> tuple[NDArray[np.int64], Floats, float, float]:
    """Pairs of path and candidate, shape (draw, 2); the weight of every candidate; the misfit; the surprise."""
    count = found.sample.size
    if not pasts:
        even = np.full(count, 1.0 / count)
        chosen = np.floor((np.arange(draws) + rng.random()) * count / draws).astype(np.int64)
        return np.stack((np.zeros(draws, dtype=np.int64), chosen), axis=1), even, 0.0, 0.0
    indices = {well: _compared_at(found.time, now, first, last) for well, (_, first, last) in pasts.items()}
    mine = np.concatenate([pasts[well][0][:, index] for well, index in indices.items()], axis=1)
    theirs = np.concatenate([found.curves[well][:, index] for well, index in indices.items()], axis=1)
    wells = np.concatenate([np.full(index.size, well) for well, index in indices.items()])
    times = found.time[np.concatenate(list(indices.values()))]
    spread = allowed.spread**2 * np.exp(-np.abs(times[:, None] - times) / allowed.memory)
    spread *= np.where(wells[:, None] == wells, 1.0, allowed.shared)
    spread += allowed.own**2 * np.eye(times.size)
    distance = _distance(mine, theirs, spread)
    surprise = _surprise(mine, theirs, spread, wells, times, found.sample)
    misfit = max(float(distance.min()), 0.0) / times.size
    distance -= distance.min()
    weight = _flattened(distance, found.sample)
    running = np.cumsum(weight.ravel())
    marks = (np.arange(draws) + rng.random(draws)) / draws * running[-1]
    flat = np.minimum(np.searchsorted(running, marks), running.size - 1)
    pairs = np.stack(np.unravel_index(flat, weight.shape), axis=1)
    by_candidate = weight.sum(axis=0) / running[-1]
    return rng.permutation(pairs), by_candidate, misfit, surprise


def _distance(mine: Floats, theirs: Floats, spread: Floats) -> Floats:
    """Squared distance of every path from every candidate under a covariance, shape (path, candidate)."""
    lower = np.linalg.cholesky(spread)
    x, y = np.linalg.solve(lower, mine.T), np.linalg.solve(lower, theirs.T)
    return np.asarray(np.sum(x**2, axis=0)[:, None] + np.sum(y**2, axis=0) - 2.0 * x.T @ y)


def _surprise(
    mine: Floats,
    theirs: Floats,
    spread: Floats,
    wells: NDArray[np.int64],
    times: Floats,
    sample: NDArray[np.int64],
) -> float:
    """Squared standard score of the last value of each curve in what its earlier part and the candidates told."""
    early = times <= times.max() - RECENT
    last = np.array([int(np.flatnonzero(wells == well)[-1]) for well in np.unique(wells)])
    last = last[~early[last]]
    if not early.any() or not last.size:
        return 0.0
    # Half of the paths tell the spread of the earlier part well enough.
    few = mine[::2]
    block = spread[np.ix_(early, early)]
    distance = _distance(few[:, early], theirs[:, early], block)
    weight = _flattened(distance - distance.min(), sample)
    weight /= weight.sum()
    gain = np.linalg.solve(block, spread[np.ix_(early, last)])
    rest = np.diag(spread[np.ix_(last, last)]) - np.sum(spread[np.ix_(early, last)] * gain, axis=0)
    worst = 0.0
    for k, index in enumerate(last):
        told_by_path, told_by_candidate = few[:, early] @ gain[:, k], theirs[:, index] - theirs[:, early] @ gain[:, k]
        told = told_by_path[:, None] + told_by_candidate
        middle = float(np.sum(weight * told))
        variance = float(np.sum(weight * (told - middle) ** 2)) + float(rest[k]) + float(np.var(few[:, index]))
        worst = max(worst, (float(np.mean(few[:, index])) - middle) ** 2 / variance)
    return worst


def _flattened(distance: Floats, sample: NDArray[np.int64]) -> Floats:
    """Weights of pairs of path and candidate, made less sharp until enough library samples share in them.

    A handful of samples does not tell how samples like them differ.
    """
    power = 1.0
    for _ in range(12):
        weight = np.exp(-0.5 * power * distance)
        by_sample = np.bincount(sample, weights=weight.sum(axis=0))
        if float(by_sample.sum() ** 2 / np.sum(by_sample**2)) >= LEAST_ANALOGUES:
            break
        power *= 0.7
    return weight


def _compared_at(time: Floats, now: float, first: int, last: int) -> NDArray[np.int64]:
    """Grid indices at which a curve is compared, each once."""
    wanted = min(now, float(time[last])) - np.asarray(LOOK_BACK)
    index = np.searchsorted(time, wanted + 1e-9) - 1
    return np.unique(index[(index >= first) & (index <= last)])


def _joined(base: Floats, past: Floats, first: int, last: int, wander: Floats, allowed: Discrepancy) -> Floats:
    """The path up to `last`, then the candidate with the discrepancy running on; before `first` the candidate."""
    whole = base + wander
    whole[:, first : last + 1] = past[:, first : last + 1]
    forgotten = np.exp(-GRID_STEP / allowed.memory * np.arange(base.shape[1] - last))
    # An Ornstein-Uhlenbeck process that is known at one time: the free one, brought to that value.
    away = past[:, last] - base[:, last] - wander[:, last]
    whole[:, last:] = base[:, last:] + wander[:, last:] + away[:, None] * forgotten
    return whole


@lru_cache(maxsize=8)
def _wander(seed: int, well: int, draws: int, times: int, allowed: Discrepancy) -> Floats:
    """Free discrepancies of one well, shape (draw, time); those of the wells of one sample share a part [-]."""
    common = np.random.default_rng([seed, 15]).standard_normal((draws, times))
    own = np.random.default_rng([seed, 16, well]).standard_normal((draws, times))
    steps = np.sqrt(allowed.shared) * common + np.sqrt(1.0 - allowed.shared) * own
    keep = float(np.exp(-GRID_STEP / allowed.memory))
    out = np.empty_like(steps)
    out[:, 0] = allowed.spread * steps[:, 0]
    scaled = allowed.spread * np.sqrt(1.0 - keep**2) * steps
    for k in range(1, times):
        out[:, k] = keep * out[:, k - 1] + scaled[:, k]
    out.setflags(write=False)
    return np.asarray(out)
