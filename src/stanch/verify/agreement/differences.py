"""Differences between two methods: bias and limits of agreement after Bland and Altman."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.lines import level_checked, paired_values
from stanch.verify.agreement.noncentral import noncentral_t_quantile
from stanch.verify.intervals import sd_interval
from stanch.verify.records import Bounded

__all__ = ["Differences", "difference_values", "limits_of_agreement"]

Floats = NDArray[np.float64]
Scale = Literal["difference", "percent", "ratio"]
LimitInterval = Literal["exact", "1986", "1999"]


@dataclass(frozen=True)
class Differences:
    """Bias and limits of agreement.

    Parameters
    ----------
    n : int
        Samples (subjects, with repeated readings).
    bias : Bounded
        Mean of y - x, or what stands for it on the scale chosen [unit].
    sd : Bounded
        Standard deviation of a single difference; on the ratio scale that of its logarithm [unit].
    lower, upper : Bounded
        Limits of agreement with their intervals [unit].
    multiplier : float
        Standard deviations on either side; 0 where the limits come from ranks [-].
    scale : str
        ``difference``, ``percent`` or ``ratio``.
    interval : str
        Which interval the limits have, in words.
    """

    n: int
    bias: Bounded
    sd: Bounded
    lower: Bounded
    upper: Bounded
    multiplier: float
    scale: Scale
    interval: str


def difference_values(
    x: ArrayLike, y: ArrayLike, *, scale: Scale = "difference", least: int = 3
) -> tuple[Floats, Floats]:
    """Differences y - x on a scale and the means they are drawn against.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    scale : str
        ``difference`` y - x, ``percent`` of the mean of both, or ``ratio`` as ln(y/x).
    least : int
        Samples needed.

    Returns
    -------
    tuple of ndarray
        Differences [unit] and means of both methods [unit].

    Raises
    ------
    InputError
        If a mean (percent) or a result (ratio) is not above zero.
    """
    xs, ys = paired_values(x, y, least=least)
    middle = xs / 2 + ys / 2
    if scale == "difference":
        return ys - xs, middle
    low = middle if scale == "percent" else np.minimum(xs, ys)
    if scale not in ("percent", "ratio"):
        raise InputError("scale of differences", got=scale, allowed="absolute, percent or ratio")
    if (low <= 0).any():
        place = int(np.flatnonzero(low <= 0)[0]) + 1
        raise InputError(
            f"differences as {scale}, pair {place}",
            got=float(low.min()),
            allowed="above 0",
            do="Use --scale difference, or leave such samples out and say so.",
        )
    return (100 * (ys - xs) / middle if scale == "percent" else np.log(ys) - np.log(xs)), middle


def limits_of_agreement(
    x: ArrayLike,
    y: ArrayLike,
    *,
    multiplier: float = 1.96,
    scale: Scale = "difference",
    interval: LimitInterval = "exact",
    level: float = 0.95,
    unit: str = "",
) -> Differences:
    """Bias and limits of agreement from one reading by each method per sample.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    multiplier : float
        Standard deviations on either side of the bias; 1.96, or 2 as in 1986 [-].
    scale : str
        ``difference``, ``percent`` or ``ratio``.
    interval : str
        Of the limits: ``exact`` (non-central t), ``1986`` (standard error sqrt(3 s^2/n)) or ``1999`` (s times
        sqrt(1/n + k^2/(2(n - 1)))).
    level : float
        [-].
    unit : str

    Returns
    -------
    Differences

    Raises
    ------
    InputError
        If there are fewer than three pairs, or the scale cannot be used.

    Notes
    -----
    Bland JM, Altman DG. Lancet 1986;i:307-310 and Stat Methods Med Res 1999;8:135-160, both from memory. The exact
    interval of mean + k SD of a normal distribution: Owen DB, J Am Stat Assoc 1968;63:445-478, from memory.

    Examples
    --------
    >>> found = limits_of_agreement([1.0, 2.0, 3.0, 4.0], [1.5, 2.0, 3.5, 4.0])
    >>> found.bias.value, round(found.upper.value, 9)
    (0.25, 0.815803264)
    """
    level_checked(level)
    multiplier_checked(multiplier)
    d, _ = difference_values(x, y, scale=scale)
    n, mean, sd = int(d.size), float(d.mean()), float(d.std(ddof=1))
    from scipy import special

    t = float(special.stdtrit(n - 1, 0.5 + level / 2))
    half = t * sd / math.sqrt(n)
    reach = multiplier * sd
    if interval == "exact":
        root = math.sqrt(n)
        tails = [noncentral_t_quantile(p, n - 1, multiplier * root) for p in ((1 - level) / 2, (1 + level) / 2)]
        near, far = (tail * sd / root for tail in tails)
        words = "exact, non-central t"
    elif interval in ("1986", "1999"):
        factor = 3 / n if interval == "1986" else 1 / n + multiplier**2 / (2 * (n - 1))
        near, far = (reach + side * t * sd * math.sqrt(factor) for side in (-1, 1))
        words = f"{interval} approximation, t with n − 1 degrees of freedom"
    else:
        raise InputError("interval of the limits", got=interval, allowed="exact, 1986 or 1999")
    shown = shown_unit(scale, unit)
    return Differences(
        n,
        on_scale(mean, mean - half, mean + half, scale, shown, level),
        sd_interval(sd, n - 1, level=level, unit="1" if scale == "ratio" else shown),
        on_scale(mean - reach, mean - far, mean - near, scale, shown, level),
        on_scale(mean + reach, mean + near, mean + far, scale, shown, level),
        multiplier,
        scale,
        words,
    )


def multiplier_checked(multiplier: float) -> float:
    """Standard deviations on either side of the bias, or a refusal."""
    if not (math.isfinite(multiplier) and 0 < multiplier <= 10):
        raise InputError("multiplier of the limits", got=multiplier, allowed="above 0, such as 1.96 or 2")
    return multiplier


def shown_unit(scale: Scale, unit: str) -> str:
    """Unit of differences on a scale."""
    return {"difference": unit, "percent": "%", "ratio": "1"}[scale]


def on_scale(value: float, low: float, high: float, scale: Scale, unit: str, level: float) -> Bounded:
    """A number with its interval, taken back from logarithms where the scale is a ratio."""
    if scale == "ratio":
        if max(abs(low), abs(high)) > 200:
            raise InputError("limits as a ratio", got="beyond 1e86", allowed="methods of comparable size")
        value, low, high = math.exp(value), math.exp(low), math.exp(high)
    return Bounded(value, min(low, value), max(high, value), unit, level)
