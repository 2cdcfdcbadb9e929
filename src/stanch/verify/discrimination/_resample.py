"""How a chosen cut-off moves: by exact ranks where it is a quantile, by bootstrap where it is not."""

from __future__ import annotations

import numpy as np

from stanch.verify.discrimination._pick import Placed, Rule, pick_many
from stanch.verify.discrimination.curve import Curve
from stanch.verify.discrimination.marks import Floats, Marks
from stanch.verify.quantile_ranks import rank_interval

MOST_LEVELS = 4_000


def by_rank(found: Marks, rule: Rule, wanted: float, level: float) -> tuple[float | None, float | None]:
    """Ends of the interval of the cut-off that has the wanted share in the population: a quantile of one group."""
    group = np.sort(found.positive if rule == "sensitivity" else found.negative)
    if wanted == 1:
        return None, None
    p = 1 - wanted if rule == "sensitivity" else wanted
    rising = found.direction == "higher"
    lowest, highest = (found.below, found.above) if rising else (found.above, found.below)
    ends: list[float | None] = []
    for rank in rank_interval(group.size, p, level):
        place = None if rank is None else int(group[rank - 1])
        bound = place is not None and ((lowest and place == 0) or (highest and place == found.levels.size - 1))
        ends.append(None if place is None or bound else float(found.levels[place]))
    return (ends[0], ends[1]) if rising else (ends[1], ends[0])


def thinned(found: Marks) -> Marks:
    size = found.levels.size
    if size <= MOST_LEVELS:
        return found
    kept = np.unique(np.linspace(0, size - 1, MOST_LEVELS).astype(np.intp))
    bins = np.searchsorted(kept, np.arange(size), side="right") - 1
    return Marks(
        bins[found.positive], bins[found.negative], found.levels[kept], found.direction, found.below, found.above
    )


def draw(
    found: Marks, points: Curve, rule: Rule, wanted: float | None, placed: Placed, draws: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Cut-offs of bootstrap samples, and how much better each does in its own sample than in the full one."""
    size = found.levels.size
    m, n = points.positives, points.negatives
    positive = rng.multinomial(m, np.bincount(found.positive, minlength=size) / m, size=draws)
    negative = rng.multinomial(n, np.bincount(found.negative, minlength=size) / n, size=draws)
    none = np.zeros((draws, 1), dtype=np.int64)
    tp = np.hstack([none, np.cumsum(positive[:, ::-1], axis=1)])
    fp = np.hstack([none, np.cumsum(negative[:, ::-1], axis=1)])
    cuts, _ = pick_many(tp, fp, m, n, rule, wanted)
    row = np.arange(draws)
    here = np.minimum(size - cuts, size - 1)
    seen = np.where(positive + negative > 0, np.arange(size), -1)
    under = np.hstack([np.full((draws, 1), -1), np.maximum.accumulate(seen, axis=1)])[row, here]
    low = np.where(under >= 0, found.levels[under], found.levels[here])
    value = found.levels[here] if placed == "observed" else low + (found.levels[here] - low) / 2
    beyond = np.inf if found.direction == "higher" else -np.inf
    value = np.where(cuts == 0, beyond, value)
    sign = 1.0 if found.direction == "higher" else -1.0
    key = sign * found.levels
    first = np.where(
        (value == low) & (under >= 0),
        np.searchsorted(key, sign * value, side="right"),
        np.searchsorted(key, sign * value, side="left"),
    )
    full = size - first
    gain = np.stack(
        [
            tp[row, cuts] / m - points.true_positive[full] / m,
            (n - fp[row, cuts]) / n - (n - points.false_positive[full]) / n,
        ],
        axis=1,
    )
    return value, gain
