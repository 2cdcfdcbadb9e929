"""The cut-off: chosen or given, where it is placed, and how far it and its promises move from sample to sample."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.discrimination.curve import Curve, curve
from stanch.verify.discrimination.marks import Direction, Floats, Marks, Places
from stanch.verify.quantile_ranks import rank_interval
from stanch.verify.records import Bounded

__all__ = ["CutOff", "CutOffUncertainty", "Placed", "Rule", "choose_cutoff", "cutoff_uncertainty", "decided_positive"]

Rule = Literal["youden", "sensitivity", "specificity", "given"]
Placed = Literal["midpoint", "observed"]
Counts = NDArray[np.int64]

_MOST_LEVELS = 4_000
_CELLS = 2_000_000


@dataclass(frozen=True)
class CutOff:
    """A cut-off and what it does in the sample it was chosen or tried in.

    Parameters
    ----------
    value : float
        [unit].
    inclusive : bool
        Whether a reading equal to it is positive.
    direction : str
        ``higher`` or ``lower`` readings mean positive.
    rule, placed : str
    cut : int
        Its place along the curve.
    sensitivity, specificity : float
        In this sample; too good where the sample chose the cut-off [-].
    tied : int
        Cuts the rule finds equally good; the one of greatest sensitivity was taken.
    """

    value: float
    inclusive: bool
    direction: Direction
    rule: Rule
    placed: Placed
    cut: int
    sensitivity: float
    specificity: float
    tied: int

    @property
    def words(self) -> str:
        """When a reading is positive, without the number."""
        side = "above" if self.direction == "higher" else "below"
        return f"at or {side}" if self.inclusive else side


@dataclass(frozen=True)
class CutOffUncertainty:
    """How a chosen cut-off varies, and what it promises once that is allowed for.

    Parameters
    ----------
    value : Bounded
        The cut-off with its interval [unit]; an end is missing where it lies beyond every reading.
    interval : str
        How the interval was found, in words.
    sensitivity, specificity : float
        Corrected for having been chosen in the sample they are counted in: the mean gain of a bootstrap sample's own
        cut-off over the same cut-off in the full sample is taken off [-].
    draws : int
    levels : int
        Distinct readings among which cut-offs were sought.
    """

    value: Bounded
    interval: str
    sensitivity: float
    specificity: float
    draws: int
    levels: int


def choose_cutoff(
    found: Marks,
    rule: Rule = "youden",
    *,
    wanted: float | None = None,
    given: float | None = None,
    placed: Placed = "midpoint",
) -> CutOff:
    """Choose a cut-off, or try a given one.

    Parameters
    ----------
    found : Marks
    rule : str
        ``youden``: greatest sensitivity + specificity; ``sensitivity`` or ``specificity``: the other one as great as
        possible while this one is at least `wanted`; ``given``.
    wanted : float, optional
        Least sensitivity or specificity [-].
    given : float, optional
        The cut-off; a reading equal to it is positive [unit].
    placed : str
        ``midpoint`` between neighbouring distinct readings, or ``observed``: the least positive reading itself.

    Returns
    -------
    CutOff

    Raises
    ------
    InputError
        If the rule needs a number it was not given, no cut fulfils it, or a given cut-off lies beyond a bound.

    Notes
    -----
    Youden WJ. Cancer 3:32-35 (1950), from memory.
    """
    points = curve(found)
    _check(rule, wanted, given, placed)
    if rule == "given":
        assert given is not None
        cut, tied = _given(found, given), 1
        value, inclusive = given, True
    else:
        cut, tied = _pick(points.true_positive, points.false_positive, points, rule, wanted)
        if cut == 0:
            raise InputError(
                "cut-off",
                got="no cut between readings that does what was asked",
                allowed="groups that a cut can separate",
                do="Ask for less, or check the direction.",
            )
        value, inclusive = _place(found.levels, cut, placed)
    return CutOff(
        value,
        inclusive,
        found.direction,
        rule,
        placed,
        cut,
        float(points.sensitivity[cut]),
        float(points.specificity[cut]),
        tied,
    )


def decided_positive(found: Marks, cutoff: CutOff) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Who is decided positive.

    Parameters
    ----------
    found : Marks
    cutoff : CutOff

    Returns
    -------
    tuple of ndarray of bool
        In the positive and in the negative group, in the order handed in.
    """
    first = found.levels.size - cutoff.cut
    return found.positive >= first, found.negative >= first


def cutoff_uncertainty(
    found: Marks,
    rule: Rule = "youden",
    *,
    wanted: float | None = None,
    placed: Placed = "midpoint",
    draws: int = 2000,
    seed: int = 1,
    level: float = 0.95,
    unit: str = "",
) -> CutOffUncertainty:
    """The interval of a chosen cut-off, and its sensitivity and specificity corrected for the choice.

    Parameters
    ----------
    found : Marks
    rule : str
        ``youden``, ``sensitivity`` or ``specificity``.
    wanted : float, optional
        Least sensitivity or specificity [-].
    placed : str
        ``midpoint`` or ``observed``.
    draws : int
        Bootstrap samples.
    seed : int
    level : float
        Of the interval [-].
    unit : str

    Returns
    -------
    CutOffUncertainty
        Among more than 4000 distinct readings, bootstrap cut-offs are sought on 4000 of them, evenly spaced by rank.

    Raises
    ------
    InputError
        If the cut-off was given, no cut fulfils the rule, or there are too few draws.

    Notes
    -----
    The cut-off by Youden's index converges with the cube root of the number of people, and its percentile interval is
    approximate. A cut-off of wanted sensitivity or specificity is a quantile of one group: exact binomial ranks.
    """
    if rule == "given":
        raise InputError("uncertainty of a cut-off", got="a given cut-off", allowed="one chosen from these readings")
    if draws < 20:
        raise InputError("bootstrap samples", got=draws, allowed="at least 20")
    own = choose_cutoff(found, rule, wanted=wanted, placed=placed)
    thin = _thinned(found)
    points = curve(thin)
    rng = np.random.default_rng(seed)
    values, gains = [], []
    per = max(1, _CELLS // thin.levels.size)
    for start in range(0, draws, per):
        value, gain = _draw(thin, points, rule, wanted, placed, min(per, draws - start), rng)
        values.append(value)
        gains.append(gain)
    drawn, gain = np.concatenate(values), np.concatenate(gains).mean(axis=0)
    if rule == "youden":
        how = f"bootstrap percentiles, {draws} samples of each group"
        ends = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2], method="inverted_cdf")
        low, high = (float(e) if math.isfinite(e) else None for e in sorted(ends))
    else:
        assert wanted is not None
        how = "ranks from the binomial distribution"
        low, high = _by_rank(found, rule, wanted, level)
    why = "" if None not in (low, high) else "An end of the interval lies beyond the readings or at a bound."
    return CutOffUncertainty(
        Bounded(
            own.value,
            None if low is None else min(low, own.value),
            None if high is None else max(high, own.value),
            unit,
            level,
            why,
        ),
        how,
        float(np.clip(own.sensitivity - gain[0], 0, 1)),
        float(np.clip(own.specificity - gain[1], 0, 1)),
        draws,
        int(thin.levels.size),
    )


def _by_rank(found: Marks, rule: Rule, wanted: float, level: float) -> tuple[float | None, float | None]:
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


def _check(rule: str, wanted: float | None, given: float | None, placed: str) -> None:
    if rule not in ("youden", "sensitivity", "specificity", "given"):
        raise InputError("rule of the cut-off", got=rule, allowed="youden, sensitivity, specificity or given")
    if placed not in ("midpoint", "observed"):
        raise InputError("place of the cut-off", got=placed, allowed="midpoint or observed")
    if rule in ("sensitivity", "specificity") and not (wanted is not None and 0 < wanted <= 1):
        raise InputError(f"least {rule}", got=wanted, allowed="above 0, at most 1")
    if rule == "given" and not (given is not None and math.isfinite(given)):
        raise InputError("given cut-off", got=given, allowed="a finite number")


def _pick(tp: Counts, fp: Counts, points: Curve, rule: Rule, wanted: float | None) -> tuple[int, int]:
    cuts, tied = _pick_many(tp[None, :], fp[None, :], points.positives, points.negatives, rule, wanted)
    return int(cuts[0]), int(tied[0])


def _pick_many(
    tp: Counts, fp: Counts, positives: int, negatives: int, rule: Rule, wanted: float | None
) -> tuple[Places, Places]:
    """The chosen cut of every row, the first of those that decide alike, and how many cuts are equally good."""
    if rule == "youden":
        # Whole numbers, so that ties are ties.
        index = tp * negatives - fp * positives
        good = index == index.max(axis=1)[:, None]
        changes = np.diff(tp + fp, axis=1, prepend=-1) > 0
        # Nobody positive is no cut-off: where nothing separates, cut 0 wins and says so.
        nothing = index.max(axis=1) <= 0
        cuts = np.where(good, tp, -1).argmax(axis=1)
        return np.where(nothing, 0, cuts).astype(np.intp), (good & changes).sum(axis=1)
    assert wanted is not None
    if rule == "sensitivity":
        good = tp >= math.ceil(wanted * positives - 1e-9)
        cuts = good.argmax(axis=1)
    else:
        good = fp <= math.floor((1 - wanted) * negatives + 1e-9)
        cuts = np.where(good, tp, -1).argmax(axis=1)
    return cuts.astype(np.intp), np.ones(tp.shape[0], dtype=np.intp)


def _place(levels: Floats, cut: int, placed: Placed) -> tuple[float, bool]:
    j = levels.size - cut
    here = float(levels[j])
    if j == 0:
        return here, True
    under = float(levels[j - 1])
    value = here if placed == "observed" else under + (here - under) / 2
    # An exact reading beside a bound of the same number, or two neighbouring floats: only "beyond" tells them apart.
    return value, value != under


def _given(found: Marks, given: float) -> int:
    key = found.levels if found.direction == "higher" else -found.levels
    edge = given if found.direction == "higher" else -given
    beyond = key >= edge
    rising = found.direction == "higher"
    if found.below:
        k = 0 if rising else key.size - 1
        if float(found.levels[k]) > given:
            raise _open(f"<{found.levels[k]:g}", given)
        beyond[k] = not rising
    if found.above:
        k = key.size - 1 if rising else 0
        if float(found.levels[k]) < given:
            raise _open(f">{found.levels[k]:g}", given)
        beyond[k] = rising
    return int(beyond.sum())


def _open(bound: str, given: float) -> InputError:
    return InputError(
        "given cut-off", got=given, allowed=f"a cut-off that {bound} does not reach across", do="Leave such rows out."
    )


def _thinned(found: Marks) -> Marks:
    size = found.levels.size
    if size <= _MOST_LEVELS:
        return found
    kept = np.unique(np.linspace(0, size - 1, _MOST_LEVELS).astype(np.intp))
    bins = np.searchsorted(kept, np.arange(size), side="right") - 1
    return Marks(
        bins[found.positive], bins[found.negative], found.levels[kept], found.direction, found.below, found.above
    )


def _draw(
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
    cuts, _ = _pick_many(tp, fp, m, n, rule, wanted)
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
