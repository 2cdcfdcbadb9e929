"""The cut-off: chosen or given, where it is placed, and how far it and its promises move from sample to sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.discrimination._pick import Counts, Placed, Rule, pick_many
from stanch.verify.discrimination._resample import by_rank, draw, thinned
from stanch.verify.discrimination.curve import Curve, curve
from stanch.verify.discrimination.marks import Direction, Floats, Marks
from stanch.verify.records import Bounded

__all__ = ["CutOff", "CutOffUncertainty", "Placed", "Rule", "choose_cutoff", "cutoff_uncertainty", "decided_positive"]

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
    thin = thinned(found)
    points = curve(thin)
    rng = np.random.default_rng(seed)
    values, gains = [], []
    per = max(1, _CELLS // thin.levels.size)
    for start in range(0, draws, per):
        value, gain = draw(thin, points, rule, wanted, placed, min(per, draws - start), rng)
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
        low, high = by_rank(found, rule, wanted, level)
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
    cuts, tied = pick_many(tp[None, :], fp[None, :], points.positives, points.negatives, rule, wanted)
    return int(cuts[0]), int(tied[0])


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
