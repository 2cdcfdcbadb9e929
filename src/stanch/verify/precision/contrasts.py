"""Precision of a contrast between two wells, from pairs of wells run in duplicate on the same sample."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.precision.components import ERROR, Analysis, Method, Total
from stanch.verify.precision.fresh import cv_from_log_sd
from stanch.verify.precision.nested import nested_anova
from stanch.verify.records import Bounded

__all__ = ["KINDS", "ContrastPrecision", "contrast_precision", "contrast_values"]

Floats = NDArray[np.float64]
Kind = Literal["difference", "ratio", "share", "log-retention"]
KINDS: tuple[Kind, ...] = ("difference", "ratio", "share", "log-retention")
SAMPLE = "sample"


@dataclass(frozen=True)
class ContrastPrecision:
    """How well a contrast repeats on the same sample.

    Parameters
    ----------
    kind : str
    values : ndarray, shape (pair,)
        The contrast of each pair: in the unit of the results, a share [-], or a natural logarithm [-].
    analysis : Analysis
        Of those values, samples outermost.
    repeatability : Total
        Of one contrast, from one pair [unit], that of `values`.
    total : Total
        All factors within samples as well; the same without factors.
    cv : Bounded or None
        Exact coefficient of variation of the ratio or the retention [-]; null for a difference or a share.
    limit : float
        Repeatability limit: two contrasts of one sample differ by less in 95 % of cases [unit], that of `values`.
    base_sd, other_sd : float
        Standard deviation of each well between pairs of one sample: of the results for a difference or a share
        [unit], of their logarithms for a ratio or a retention [-].
    correlation : float or None
        Between both wells, within samples [-]; above zero when what they share cancels in the contrast.
    independent : float or None
        Standard deviation the contrast would have if it were zero [unit], that of `values`; null for a share.
    samples, pairs : int
    """

    kind: Kind
    values: Floats
    analysis: Analysis
    repeatability: Total
    total: Total
    cv: Bounded | None
    limit: float
    base_sd: float
    other_sd: float
    correlation: float | None
    independent: float | None
    samples: int
    pairs: int


def contrast_values(
    base: ArrayLike,
    other: ArrayLike,
    kind: Kind,
    *,
    base_early: ArrayLike | None = None,
    other_early: ArrayLike | None = None,
) -> Floats:
    """The contrast of each pair of wells, on the scale its precision is worked out on.

    Parameters
    ----------
    base, other : array_like, shape (pair,)
        Results of both wells [unit]; at the later clot age for a retention.
    kind : str
        ``difference`` (base - other), ``ratio`` (logarithm of base/other), ``share`` ((base - other)/base) or
        ``log-retention`` (logarithm of other/base now over the same earlier).
    base_early, other_early : array_like, shape (pair,), optional
        Results at the earlier clot age, for a retention only [unit].

    Returns
    -------
    ndarray, shape (pair,)
        In the unit of the results for a difference, else [-].

    Raises
    ------
    InputError
        If lengths differ, a value is not above zero where a quotient is taken, or the early results do not belong.
    """
    a, b = checked(base, "base wells"), checked(other, "other wells")
    series = {"base wells": a, "other wells": b}
    early = {"early base wells": base_early, "early other wells": other_early}
    if kind == "log-retention":
        for name, column in early.items():
            if column is None:
                raise InputError(name, got="nothing", allowed="results at the earlier clot age")
            series[name] = checked(column, name)
    elif base_early is not None or other_early is not None:
        raise InputError("early results", got=f"given for {kind}", allowed="log-retention only")
    if kind not in KINDS:
        raise InputError("contrast", got=kind, allowed=", ".join(KINDS))
    if len({s.size for s in series.values()}) > 1:
        raise InputError("pairs", got={n: s.size for n, s in series.items()}, allowed="as many of each")
    for name, column in series.items():
        bad = int((column <= 0).sum()) if kind != "difference" and not (kind == "share" and column is b) else 0
        if bad:
            raise InputError(
                name, got=f"{bad} at or below zero", allowed=f"above zero for a {kind}", do="Use the difference."
            )
    if kind == "difference":
        return np.asarray(a - b, dtype=np.float64)
    if kind == "share":
        return np.asarray(1 - b / a, dtype=np.float64)
    if kind == "ratio":
        return np.asarray(np.log(a) - np.log(b), dtype=np.float64)
    late = np.log(b) - np.log(a)
    return np.asarray(late - np.log(series["early other wells"]) + np.log(series["early base wells"]), dtype=np.float64)


def contrast_precision(
    base: ArrayLike,
    other: ArrayLike,
    sample: ArrayLike,
    *,
    kind: Kind = "difference",
    within: Mapping[str, ArrayLike] | None = None,
    base_early: ArrayLike | None = None,
    other_early: ArrayLike | None = None,
    confidence: float = 0.95,
    interval: Method = "satterthwaite",
    reml: bool = True,
    unit: str = "",
) -> ContrastPrecision:
    """Precision of a contrast from duplicate pairs of wells.

    Parameters
    ----------
    base, other : array_like, shape (pair,)
        [unit].
    sample : array_like of str, shape (pair,)
        Name of the sample; at least one sample has two pairs.
    kind : str
        See `contrast_values`.
    within : mapping of str to array_like of str, shape (pair,), optional
        Factors within samples, outermost first, such as operator.
    base_early, other_early : array_like, shape (pair,), optional
        For a retention [unit].
    confidence : float
        [-].
    interval : str
    reml : bool
    unit : str
        Of the results.

    Returns
    -------
    ContrastPrecision

    Notes
    -----
    The standard deviation is taken between contrasts of the same sample, so whatever both wells of a pair share
    (pipetting of the pair, temperature, age of the sample) has cancelled in it. Repeatability limit: 1.96 sqrt(2) s,
    as in ISO 5725, from memory.
    """
    values = contrast_values(base, other, kind, base_early=base_early, other_early=other_early)
    inside = dict(within or {})
    if SAMPLE in inside:
        raise InputError(f"factor {SAMPLE}", got="a factor of this name", allowed="any other name")
    factors = {SAMPLE: np.asarray(sample), **inside}
    shown = unit if kind == "difference" else "1"
    analysis = nested_anova(values, factors, reml=reml)
    repeat = analysis.total((ERROR,), level=confidence, interval=interval, unit=shown)
    total = analysis.total((*inside, ERROR), level=confidence, interval=interval, unit=shown)
    logs = kind in ("ratio", "log-retention")
    first, second = checked(base, "base wells"), checked(other, "other wells")
    if logs:
        first, second = np.log(first), np.log(second)
    if kind == "log-retention":
        first = checked(first - np.log(checked(base_early, "early base wells")), "base wells")  # type: ignore[arg-type]
        second = checked(second - np.log(checked(other_early, "early other wells")), "other wells")  # type: ignore[arg-type]
    one = nested_anova(first, factors, reml=False)[ERROR].variance
    two = nested_anova(second, factors, reml=False)[ERROR].variance
    straight = nested_anova(first - second, factors, reml=False)[ERROR].variance
    both = math.sqrt(one) * math.sqrt(two)
    correlation = None if both == 0 else max(-1.0, min(1.0, (one + two - straight) / 2 / both))
    return ContrastPrecision(
        kind=kind,
        values=values,
        analysis=analysis,
        repeatability=repeat,
        total=total,
        cv=cv_from_log_sd(total.sd) if logs else None,
        limit=1.959963984540054 * math.sqrt(2) * math.sqrt(repeat.variance),
        base_sd=math.sqrt(one),
        other_sd=math.sqrt(two),
        correlation=correlation,
        independent=None if kind == "share" else math.sqrt(one + two),
        samples=analysis.groups[0],
        pairs=int(values.size),
    )
