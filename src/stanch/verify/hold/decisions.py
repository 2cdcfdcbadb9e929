"""Would the early reading have decided as the plateau does?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.verify.hold.donors import clustered_share, merged, renumbered, resampled, worth
from stanch.verify.intervals import share_interval
from stanch.verify.records import Bounded

__all__ = ["Decisions", "decisions"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Decisions:
    """Predicted plateau against plateau at one decision limit.

    Parameters
    ----------
    limit : float
        [unit].
    counts : tuple of int
        Both positive, only predicted, only plateau, neither.
    unknown : int
        Curves whose plateau is a bound below the limit, so that its decision is not known.
    sensitivity, specificity : Bounded
        Taking the plateau's decision as right [-].
    kappa : Bounded
        Agreement beyond chance [-].
    """

    limit: float
    counts: tuple[int, int, int, int]
    unknown: int
    sensitivity: Bounded
    specificity: Bounded
    kappa: Bounded


def decisions(
    predicted: ArrayLike,
    plateau: ArrayLike,
    above: ArrayLike,
    donor: ArrayLike,
    limit: float,
    *,
    positive: Literal["below", "above"] = "below",
    level: float = 0.90,
    resamples: int = 1000,
    seed: int = 0,
) -> Decisions:
    """Agreement of decisions at a limit.

    Parameters
    ----------
    predicted, plateau : array_like, shape (n,)
        Above zero [unit].
    above : array_like of bool, shape (n,)
        Plateaus that are lower bounds.
    donor : array_like of int, shape (n,)
        Numbers 0 .. donors - 1.
    limit : float
        [unit].
    positive : str
        Which side of the limit counts as positive; a number at the limit is not below it.
    level : float
        [-].
    resamples, seed : int
        Of donors.

    Returns
    -------
    Decisions

    Notes
    -----
    Exact binomial intervals, with curves reduced to what they are worth where donors have several. Kappa: Cohen J.
    Educ Psychol Meas 20:37-46 (1960), from memory.
    """
    p, y = np.asarray(predicted, dtype=np.float64), np.asarray(plateau, dtype=np.float64)
    known = ~(np.asarray(above, dtype=bool) & (y < limit))
    said, true = (p < limit)[known], (y < limit)[known]
    if positive == "above":
        said, true = ~said, ~true
    cells = np.column_stack([said & true, said & ~true, ~said & true, ~said & ~true]).astype(np.float64)
    counts = cells.sum(axis=0)
    a, b, c, d = (int(v) for v in counts)
    who = renumbered(np.asarray(donor)[known])
    donors = int(who.max()) + 1 if who.size else 0
    by_donor = np.zeros((donors, 4))
    np.add.at(by_donor, who, cells)
    group = merged(np.arange(donors), seed)
    sums = np.column_stack([np.bincount(group, by_donor[:, k]) for k in range(4)]) if donors else by_donor
    drawn = (
        np.concatenate([draws @ sums for draws in resampled(len(sums), resamples, seed, len(sums))])
        if donors > 1
        else np.zeros((0, 4))
    )
    alone = donors == said.size
    positives, negatives = (int((by_donor[:, columns].sum(axis=1) > 0).sum()) for columns in ([0, 2], [1, 3]))
    return Decisions(
        float(limit),
        (a, b, c, d),
        int((~known).sum()),
        _share(a, a + c, drawn[:, 0], drawn[:, 0] + drawn[:, 2], alone, positives, level, "No plateau is positive."),
        _share(d, b + d, drawn[:, 3], drawn[:, 1] + drawn[:, 3], alone, negatives, level, "No plateau is negative."),
        _kappa_interval(counts, drawn, level),
    )


def _share(
    count: int, of: int, top: Floats, under: Floats, alone: bool, donors: int, level: float, why: str
) -> Bounded:
    if of == 0:
        return Bounded.missing(why, "1")
    if alone:
        return share_interval(count, of, level=level)
    value = count / of
    if count in (0, of) or top.size < 20:
        # Resampling cannot tell how rare what was never seen is; donors are independent.
        return clustered_share(value, donors, level=level)
    shares = np.divide(top, under, out=np.full(top.shape, np.nan), where=under > 0)
    return clustered_share(value, worth(shares[np.isfinite(shares)], value, of), level=level)


def _kappa(counts: Floats) -> Floats:
    total = counts.sum(axis=-1)
    a, b, c, d = np.moveaxis(counts, -1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = ((a + b) * (a + c) + (c + d) * (b + d)) / total**2
        return np.asarray(((a + d) / total - chance) / (1 - chance))


def _kappa_interval(counts: Floats, drawn: Floats, level: float) -> Bounded:
    if counts.sum() == 0 or counts[0] + counts[1] + counts[2] == 0 or counts[1] + counts[2] + counts[3] == 0:
        return Bounded.missing("All decisions are the same, so agreement beyond chance has no meaning.", "1")
    value = float(_kappa(counts))
    found = _interval(value, _kappa(drawn), level)
    if counts[1] + counts[2] == 0:
        return Bounded(value, None, None, "1", level, "No decision differs; resampling cannot bound the agreement.")
    return found


def _interval(value: float, draws: Floats, level: float) -> Bounded:
    kept = draws[np.isfinite(draws)]
    if kept.size < 20:
        return Bounded(value, unit="1", level=level, why="Too few resamples for an interval.")
    low, high = np.quantile(kept, [(1 - level) / 2, (1 + level) / 2])
    return Bounded(value, min(float(low), value), max(float(high), value), "1", level)
