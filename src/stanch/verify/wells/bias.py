"""Bias of wells from the same samples with the same reagents read in all of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import outcome, together
from stanch.verify.intervals import checked, sd_interval
from stanch.verify.records import Bounded, Outcome
from stanch.verify.scales import Scale, edges, grouped, on_scale, shown
from stanch.verify.wells._additive import additive, cells, connected
from stanch.verify.wells._compare import adjusted_p, interval, largest_pair
from stanch.verify.wells._differ import f_test, homogeneity, interaction
from stanch.verify.wells.fit import WellFit

__all__ = ["WellBias", "Wells", "well_bias"]

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

MOST_WELLS = 384
"""Wells of one study [-]."""


@dataclass(frozen=True)
class WellBias:
    """One well against the mean of all.

    Parameters
    ----------
    well : str
    bias : Bounded
        Its difference from, or ratio to, the mean of all wells, with the interval that decides [unit].
    single : Bounded
        With the interval of level 1 - 2 alpha for this well alone [unit].
    p : float or None
        Of equivalence for this well alone, the larger of both one-sided tests [-].
    adjusted : float or None
        The same after the adjustment for looking at all wells [-].
    n : int
        Cells it rests on.
    sd : float
        Scatter of its residuals, working scale [unit].
    outcome : str
    """

    well: str
    bias: Bounded
    single: Bounded
    p: float | None
    adjusted: float | None
    n: int
    sd: float
    outcome: Outcome


@dataclass(frozen=True)
class Wells:
    """Equivalence of wells.

    Parameters
    ----------
    wells : tuple of WellBias
    largest : Bounded
        The bias farthest from none, with its interval alone, of level 1 - 2 alpha [unit].
    largest_pair : Bounded
        Largest difference (ratio) between two wells, with its interval adjusted for all pairs [unit].
    pair : tuple of str
        Those two wells.
    p_all : float or None
        That all wells are equivalent: the largest of their p values, which needs no adjustment [-].
    f, p_f : float or None
        F test of no difference at all between wells [-].
    interaction_f, interaction_p : float or None
        F test of bias that differs between levels [-]; null without levels.
    by_level : mapping
        Bias of every well at every level, with intervals of level 1 - 2 alpha for each alone [unit].
    residual_sd : Bounded
        Sample-by-well scatter of cells, working scale [unit].
    replicate_sd : Bounded
        Scatter of replicates within cells, working scale [unit].
    homogeneity : float or None
        p of equal scatter in all wells: Brown-Forsythe on residuals, approximate [-].
    df : float
        [-].
    samples, runs, cells, n : int
    outcome : str
    adjust : str
    scale : str
    """

    wells: tuple[WellBias, ...]
    largest: Bounded
    largest_pair: Bounded
    pair: tuple[str, str]
    p_all: float | None
    f: float | None
    p_f: float | None
    interaction_f: float | None
    interaction_p: float | None
    by_level: dict[str, tuple[Bounded, ...]]
    residual_sd: Bounded
    replicate_sd: Bounded
    homogeneity: float | None
    df: float
    samples: int
    runs: int
    cells: int
    n: int
    outcome: Outcome
    adjust: str
    scale: str
    fit: WellFit
    cell_well: Whole
    cell_mean: Floats


def well_bias(
    result: ArrayLike,
    sample: ArrayLike,
    well: ArrayLike,
    *,
    run: ArrayLike | None = None,
    level: ArrayLike | None = None,
    allowed: float | None = None,
    scale: Scale = "ratio",
    adjust: Literal["bonferroni", "holm", "none"] = "bonferroni",
    alpha: float = 0.05,
    unit: str = "",
) -> Wells:
    """Bias of every well and whether all are equivalent.

    Parameters
    ----------
    result : array_like, shape (n,)
        [unit].
    sample, well : array_like of str, shape (n,)
        Names.
    run : array_like of str, shape (n,), optional
        Names; a sample need not be in every well in one run (rotation).
    level : array_like of str, shape (n,), optional
        Level of each sample, for bias that depends on it.
    allowed : float, optional
        Largest bias of a well: ratio above 1 [-] or difference [unit].
    scale : str
    adjust : str
        How intervals and p values of single wells allow for looking at all.
    alpha : float
        Of each one-sided test [-].
    unit : str

    Returns
    -------
    Wells

    Raises
    ------
    InputError
        If wells cannot be compared through common samples, or nothing is left to judge the scatter.

    Notes
    -----
    Replicates of a sample in a well (and run) are averaged first, so the error of a bias is the scatter from sample to
    sample, which is right for random samples: a mixed model with sample by well as error. Least squares serve
    balanced and unbalanced layouts. That *all* wells are equivalent is an intersection-union claim: every well's test
    at alpha suffices (Berger RL. Technometrics 24:295-300, 1982, from memory); statements on single wells are adjusted.
    """
    y = on_scale(checked(result, "results", least=4), scale)
    samples, s = grouped(sample)
    wells, w = grouped(well)
    runs, r = grouped(run) if run is not None else (np.array(["1"]), np.zeros(y.size, dtype=np.intp))
    levels, at = grouped(level) if level is not None else (np.array([]), np.zeros(y.size, dtype=np.intp))
    if not s.size == w.size == r.size == at.size == y.size:
        raise InputError("names", got=f"{s.size}, {w.size}, {r.size}", allowed=f"{y.size}, one for each result")
    if not 2 <= wells.size <= MOST_WELLS:
        raise InputError("wells", got=wells.size, allowed=f"2 to {MOST_WELLS}")
    of_sample = np.zeros(samples.size, dtype=np.intp)
    of_sample[s] = at
    if (of_sample[s] != at).any():
        raise InputError("levels", got="a sample with two levels", allowed="one level for each sample")
    cell, mean, within = cells(y, s, w, r)
    s, w, r, at = (v[cell] for v in (s, w, r, at))
    fit = additive(mean, s, r, w, wells.size)
    found, alone = _single(wells, fit, w, edges(allowed, scale), scale, adjust, alpha, unit)
    largest = max(found, key=lambda b: abs(math.log(b.bias.value) if scale == "ratio" else b.bias.value))  # type: ignore[arg-type]
    p_all = max((b.p for b in found if b.p is not None), default=None)
    pair, names = largest_pair(fit, wells, scale, alpha, unit)
    test_f, p_f = f_test(fit, wells.size)
    inter_f, inter_p, by_level = interaction(mean, s, r, w, at, wells, levels, fit, scale, alpha, unit)
    free = float(y.size - mean.size)
    return Wells(
        tuple(found),
        largest.single,
        pair,
        names,
        p_all,
        test_f,
        p_f,
        inter_f,
        inter_p,
        by_level,
        sd_interval(math.sqrt(fit.rss / fit.df), fit.df),
        sd_interval(math.sqrt(within / free), free) if free > 0 else Bounded.missing("No replicates within cells."),
        homogeneity(fit, w, wells.size),
        fit.df,
        int(samples.size),
        int(runs.size),
        int(mean.size),
        int(y.size),
        _overall([b.outcome for b in found], alone),
        adjust,
        scale,
        fit,
        w,
        mean,
    )


def _overall(adjusted: list[Outcome], alone: list[Outcome]) -> Outcome:
    """All wells equivalent: every test at alpha. One well apart: beyond its interval adjusted for looking at all."""
    if "not met" in adjusted:
        return "not met"
    whole = together(alone)
    return "undecided" if whole == "not met" else whole


def _single(
    names: NDArray[np.str_],
    fit: WellFit,
    w: Whole,
    edge: tuple[float | None, float | None],
    scale: Scale,
    adjust: str,
    alpha: float,
    unit: str,
) -> tuple[list[WellBias], list[Outcome]]:
    """Every well, and where its own interval stands before it is adjusted for looking at all."""
    from scipy import special

    count = names.size
    connected(fit, count)
    se = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    lower, upper = edge
    p: list[float | None] = [None] * count
    if lower is not None and upper is not None and (se > 0).all():
        near = np.minimum(fit.effects - lower, upper - fit.effects)
        p = [float(v) for v in special.stdtr(fit.df, -near / se)]
    adjusted = adjusted_p(p, adjust)
    share = alpha if adjust != "bonferroni" else alpha / count
    found: list[WellBias] = []
    alone: list[Outcome] = []
    number = np.bincount(w, minlength=count)
    spread = np.sqrt(np.bincount(w, fit.residuals**2, minlength=count) / np.maximum(number - 1, 1))
    for k in range(count):
        wide = interval(float(fit.effects[k]), float(se[k]), fit.df, share)
        single = interval(float(fit.effects[k]), float(se[k]), fit.df, alpha)
        state = outcome(wide, lower, upper)
        alone.append(outcome(single, lower, upper))
        q = adjusted[k]
        if adjust == "holm" and q is not None and state == "met" and q > alpha:
            state = "undecided"
        bias, own = shown(wide, scale, unit), shown(single, scale, unit)
        found.append(WellBias(str(names[k]), bias, own, p[k], q, int(number[k]), float(spread[k]), state))
    return found, alone
