"""Control without stored material: the same fresh sample measured twice."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.control._making import charted, of_baseline, positive
from stanch.verify.control.chart import Chart
from stanch.verify.control.constants import d2, d3
from stanch.verify.intervals import checked, sd_interval
from stanch.verify.records import Bounded

__all__ = ["Duplicates", "duplicates"]


@dataclass(frozen=True)
class Duplicates:
    """Differences of duplicates against limits.

    Parameters
    ----------
    difference, range : Chart
        Second less first, and its size; on the log scale both are of logarithms [unit].
    sd : Bounded
        Standard deviation of one measurement from the baseline pairs, on the scale chosen [unit].
    cv : Bounded or None
        The same as a coefficient of variation on the log scale [-].
    pairs : int
        Baseline pairs.
    """

    difference: Chart
    range: Chart
    sd: Bounded
    cv: Bounded | None
    pairs: int


def duplicates(
    first: ArrayLike,
    second: ArrayLike,
    *,
    scale: Literal["log", "linear"] = "log",
    centre: float | None = 0.0,
    sigma: float | None = None,
    baseline: ArrayLike | None = None,
    width: float = 3.0,
    unit: str = "",
) -> Duplicates:
    """Control charts of duplicates of fresh samples.

    Parameters
    ----------
    first, second : array_like, shape (sample,)
        In time order [unit].
    scale : str
        ``log``: scatter in proportion to the result, results above zero; ``linear``.
    centre : float or None
        Mean difference expected, on the scale chosen [unit]; None for that of the baseline.
    sigma : float, optional
        Standard deviation of one measurement, on the scale chosen [unit]; else from the baseline.
    baseline : array_like of bool, shape (sample,), optional
    width : float
        [-].
    unit : str

    Returns
    -------
    Duplicates

    Notes
    -----
    With a stated centre the variance of one measurement is the mean square of the differences about it over two, all
    pairs being degrees of freedom (Dahlberg 1940, from memory). Duplicates show precision and a shift between the two
    places, never a drift common to both.
    """
    x, y = checked(first, "first results", least=2), checked(second, "second results")
    if x.size != y.size:
        raise InputError("duplicates", got=f"{x.size} and {y.size} results", allowed="as many second as first results")
    if scale == "log":
        bad = int((x <= 0).sum() + (y <= 0).sum())
        if bad:
            raise InputError(
                "duplicates",
                got=f"{bad} results at or below zero",
                allowed="results above zero on the log scale",
                do="Use the scale difference.",
            )
        d = np.log(y) - np.log(x)
    else:
        d = y - x
    base = of_baseline(d, baseline, 2)
    df = float(base.size if centre is not None else base.size - 1)
    middle = float(base.mean()) if centre is None else float(centre)
    found = math.sqrt(float(((base - middle) ** 2).sum()) / df / 2)
    shown = "1" if scale == "log" else unit
    one = sd_interval(found, df, unit=shown)
    used = positive(found if sigma is None else sigma, "standard deviation of duplicates")
    half = positive(width, "width of the limits") * used * math.sqrt(2)
    n = d.size
    chart = charted(d, middle, used * math.sqrt(2), np.full(n, middle - half), np.full(n, middle + half))
    size = np.abs(d - middle)
    ranges = charted(size, d2(2) * used, used, np.zeros(n), np.full(n, (d2(2) + width * d3(2)) * used))
    return Duplicates(chart, ranges, one, _as_cv(one) if scale == "log" else None, int(base.size))


def _as_cv(sd: Bounded) -> Bounded:
    def turn(s: float | None) -> float | None:
        return None if s is None else math.sqrt(math.expm1(s * s))

    return Bounded(turn(sd.value), turn(sd.low), turn(sd.high), "1", sd.level, sd.why)
