"""Paired samples measured with both lots."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import Equivalence, outcome, paired
from stanch.verify.intervals import checked
from stanch.verify.lots.rank import RankShift, rank_shift
from stanch.verify.records import Bounded, Outcome
from stanch.verify.scales import shown

__all__ = ["LotChange", "Trend", "differences", "lot_change"]

Floats = NDArray[np.float64]
Scale = Literal["difference", "ratio", "percent"]


@dataclass(frozen=True)
class Trend:
    """Whether the lots differ by level, without a regression line.

    Parameters
    ----------
    tau, p : float or None
        Kendall's rank correlation of the differences with the mean of both lots, and its two-sided p value [-]; null
        where all differences or all levels are equal.
    thirds : tuple of Bounded
        Mean difference in the lowest, middle and highest third of the samples, with 95 % intervals [unit]; empty below
        nine samples.
    edges : tuple of float
        Levels that part the thirds [unit].
    """

    tau: float | None
    p: float | None
    thirds: tuple[Bounded, ...]
    edges: tuple[float, ...]


@dataclass(frozen=True)
class LotChange:
    """A lot change seen in paired samples.

    Parameters
    ----------
    n : int
        Pairs.
    equivalence : Equivalence
        Mean difference new minus old against the allowed one, on the scale chosen; for ratios of logarithms [unit].
    difference : Bounded
        The same mean difference with its 95 % interval, as shown: a ratio for the scale ratio [unit].
    sd : float
        Of the differences, for ratios of logarithms [unit].
    t, p : float or None
        Paired t test of no difference [-]; null when all differences are equal.
    scale : str
    deciding : Bounded or None
        What the outcome rests on, as shown: the mean or the signed-rank shift, interval of level 1 - 2 alpha [unit].
    outcome : str
    p_equivalence : float or None
        [-].
    rank : RankShift or None
        With the signed-rank method, on the working scale.
    trend : Trend or None
    """

    n: int
    equivalence: Equivalence
    difference: Bounded
    sd: float
    t: float | None
    p: float | None
    scale: Scale = "difference"
    deciding: Bounded | None = None
    outcome: Outcome = "no limit stated"
    p_equivalence: float | None = None
    rank: RankShift | None = None
    trend: Trend | None = None


def differences(
    old: ArrayLike, new: ArrayLike, *, scale: Scale = "difference", percent_of: Literal["old", "mean"] = "old"
) -> Floats:
    """New less old on the scale that decides.

    Parameters
    ----------
    old, new : array_like, shape (sample,)
        [unit].
    scale : str
        ``difference``, ``ratio`` (natural logarithm of new over old) or ``percent``.
    percent_of : str
        Of the ``old`` lot or of the ``mean`` of both.

    Returns
    -------
    ndarray, shape (sample,)
        [unit].

    Raises
    ------
    InputError
        If the lengths differ, or a value is not above zero where a ratio or a percentage is wanted.
    """
    x, y = checked(old, "old lot"), checked(new, "new lot")
    if x.size != y.size:
        raise InputError("pairs", got=f"{x.size} and {y.size} values", allowed="as many of the old as of the new lot")
    if scale == "difference":
        return y - x
    bad = int((x <= 0).sum() + (y <= 0).sum())
    if bad:
        raise InputError(
            f"pairs for a {scale}",
            got=f"{bad} values at or below zero",
            allowed="values above zero",
            do="Choose the scale difference.",
        )
    if scale == "ratio":
        return np.asarray(np.log(y) - np.log(x))
    return 100 * (y - x) / (x if percent_of == "old" else x / 2 + y / 2)


def _shown(found: Bounded, scale: Scale, unit: str) -> Bounded:
    return shown(found, "ratio" if scale == "ratio" else "difference", "%" if scale == "percent" else unit)


def lot_change(
    old: ArrayLike,
    new: ArrayLike,
    *,
    allowed: float | None = None,
    alpha: float = 0.05,
    unit: str = "",
    scale: Scale = "difference",
    percent_of: Literal["old", "mean"] = "old",
    method: Literal["t", "signed-rank"] = "t",
) -> LotChange:
    """Compare a new lot with the old one on the same samples.

    Parameters
    ----------
    old, new : array_like, shape (sample,)
        [unit].
    allowed : float, optional
        Largest mean difference allowed, either way [unit]; on the scale ``ratio`` the largest ratio, above 1, and its
        inverse [-]; on ``percent`` in percent [%].
    alpha : float
        Of each one-sided test [-].
    unit : str
    scale : str
        ``difference``, ``ratio`` or ``percent``.
    percent_of : str
        ``old`` or ``mean``.
    method : str
        ``t`` or ``signed-rank``, for the interval that decides.

    Returns
    -------
    LotChange
    """
    from scipy import special

    x, y = checked(old, "old lot", least=2), checked(new, "new lot")
    d = differences(x, y, scale=scale, percent_of=percent_of)
    edge = _edge(allowed, scale)
    lower = None if edge is None else -edge
    nil = np.zeros(d.size)
    found = paired(nil, d, lower=lower, upper=edge, alpha=alpha, unit=unit)
    wide = paired(nil, d, alpha=0.025, unit=unit)
    mean = found.difference.value
    assert mean is not None
    t = mean / found.se if found.se > 0 else None
    rank = rank_shift(d, lower=lower, upper=edge, alpha=alpha, unit=unit) if method == "signed-rank" else None
    deciding = found.difference if rank is None else rank.shift
    return LotChange(
        n=int(x.size),
        equivalence=found,
        difference=_shown(wide.difference, scale, unit),
        sd=float(np.std(d, ddof=1)),
        t=t,
        p=None if t is None else float(2 * special.stdtr(found.df, -abs(t))),
        scale=scale,
        deciding=_shown(deciding, scale, unit),
        outcome=outcome(deciding, lower, edge, point=rank is not None),
        p_equivalence=found.p if rank is None else rank.p,
        rank=rank,
        trend=_trend(d, x / 2 + y / 2, scale, unit),
    )


def _edge(allowed: float | None, scale: Scale) -> float | None:
    if allowed is None:
        return None
    if scale == "ratio":
        if not (allowed > 1 and math.isfinite(allowed)):
            raise InputError("allowed ratio", got=allowed, allowed="a number above 1", do="1.10 allows 10 %.")
        return math.log(allowed)
    edge = abs(allowed)
    if not (edge > 0 and math.isfinite(edge)):
        raise InputError("allowed difference", got=allowed, allowed="a number above 0")
    return edge


def _trend(d: Floats, level: Floats, scale: Scale, unit: str) -> Trend:
    from scipy import stats

    varied = d.size > 2 and bool(np.ptp(d) > 0) and bool(np.ptp(level) > 0)
    tau = p = None
    if varied:
        found = stats.kendalltau(level, d)
        tau, p = float(found.statistic), float(found.pvalue)
    if d.size < 9:
        return Trend(tau, p, (), ())
    order = np.argsort(level, kind="stable")
    parts = np.array_split(order, 3)
    thirds = tuple(
        _shown(paired(np.zeros(part.size), d[part], alpha=0.025, unit=unit).difference, scale, unit) for part in parts
    )
    edges = tuple(float(level[a[-1]] / 2 + level[b[0]] / 2) for a, b in pairwise(parts))
    return Trend(tau, p, thirds, edges)
