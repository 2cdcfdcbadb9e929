"""Limit of blank: what a sample without the measurand rarely exceeds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.intervals import checked, flags
from stanch.verify.records import Bounded

__all__ = ["BlankLimit", "limit_of_blank", "small_sample_factor"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Method = Literal["non-parametric", "parametric"]


@dataclass(frozen=True)
class BlankLimit:
    """A limit of blank.

    Parameters
    ----------
    limit : Bounded
        [unit].
    method : str
        ``non-parametric`` or ``parametric``.
    n, samples, censored : int
        Results, blank samples, and results known only as a bound.
    rank : float or None
        Non-parametric: 0.5 + (1 - alpha) n [-].
    mean, sd : float or None
        Of the results [unit]; by censored likelihood where some are bounds.
    factor : float or None
        Parametric: multiplier of the standard deviation [-].
    alpha : float
        Share of blank results allowed above [-].
    treatment : str
        What was done with bounds.
    """

    limit: Bounded
    method: str
    n: int
    samples: int
    censored: int
    rank: float | None
    mean: float | None
    sd: float | None
    factor: float | None
    alpha: float
    treatment: str


def small_sample_factor(p: float, degrees: float) -> float:
    """Normal quantile over 1 - 1/(4 degrees).

    Parameters
    ----------
    p : float
        Probability [-].
    degrees : float
        Results minus samples [-].

    Returns
    -------
    float
        [-].

    Raises
    ------
    InputError
        If no degree of freedom is left.

    Notes
    -----
    1 - 1/(4 f) approximates the bias of a standard deviation with f degrees of freedom; guideline EP17, from memory.
    """
    from scipy import special

    if degrees < 1:
        raise InputError("degrees of freedom of a standard deviation", got=degrees, allowed="at least 1")
    return float(special.ndtri(p)) / (1 - 1 / (4 * degrees))


def limit_of_blank(
    blanks: ArrayLike,
    *,
    alpha: float = 0.05,
    method: Method = "non-parametric",
    samples: int = 1,
    factor: bool = True,
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    confidence: float = 0.95,
    unit: str = "",
) -> BlankLimit:
    """Limit of blank from results of blank samples.

    Parameters
    ----------
    blanks : array_like, shape (result,)
        Results, or the bound of those known as ``<x`` or ``>x`` [unit].
    alpha : float
        Share allowed above [-].
    method : str
        ``non-parametric``: rank 0.5 + (1 - alpha) n, interpolated; ``parametric``: mean + factor times SD.
    samples : int
        Blank samples that the results come from.
    factor : bool
        Use the small-sample factor with `n` - `samples` degrees of freedom; else the plain normal quantile.
    below, above : array_like of bool, shape (result,), optional
        Which results are bounds.
    confidence : float
        Of the interval [-]: of order statistics, or exact by the non-central t distribution of a normal quantile;
        by the profile of the likelihood where there are bounds.
    unit : str

    Returns
    -------
    BlankLimit

    Raises
    ------
    InputError
        If there are too few results or a number is out of range.
    """
    x = checked(blanks, "blank results", least=3)
    low, high = flags(below, x.size, "bounds"), flags(above, x.size, "bounds")
    for name, number in (("alpha", alpha), ("confidence", confidence)):
        if not 0 < number < 1:
            raise InputError(name, got=number, allowed="above 0 and below 1")
    if not 1 <= samples < x.size:
        raise InputError("blank samples", got=f"{samples} with {x.size} results", allowed="fewer samples than results")
    if method == "non-parametric":
        return _by_rank(x, low, high, alpha, samples, confidence, unit)
    if method == "parametric":
        if (low | high).any():
            return _by_likelihood(x, low, high, alpha, samples, confidence, unit)
        return _by_normal(x, alpha, samples, factor, confidence, unit)
    raise InputError("method", got=method, allowed="non-parametric, parametric")


def _by_rank(
    x: Floats, low: Flags, high: Flags, alpha: float, samples: int, confidence: float, unit: str
) -> BlankLimit:
    n, p = x.size, 1 - alpha
    # A <x counts as just under its bound, a >x as just over: with ties the bounds come first and last.
    order = np.lexsort((high.astype(int) - low.astype(int), x))
    sorted_x, bound = x[order], (low | high)[order]
    rank = 0.5 + p * n
    inner = min(max(rank, 1.0), float(n))
    first = math.floor(inner)
    last = min(first + 1, n) if inner > first else first
    exact = not (low | high).any()
    mean = float(x.mean()) if exact else None
    sd = float(x.std(ddof=1)) if exact else None

    def sure(k: int) -> bool:
        """Whether the order statistic of this rank is a number and keeps its rank wherever the bounds really lie."""
        return not bound[k - 1] and not (x[low] > sorted_x[k - 1]).any() and not (x[high] < sorted_x[k - 1]).any()

    treatment = "" if exact else "Bounds keep their rank: the wanted rank lies outside them."
    if not (sure(first) and sure(last)):
        top = float(x[low].max()) if low.any() and not high.any() else None
        why = "The wanted rank falls among results known only as bounds."
        if top is not None:
            top = max(top, float(sorted_x[last - 1]))
        return BlankLimit(
            Bounded(None, None, top, unit, confidence, why),
            "non-parametric",
            n,
            samples,
            int((low | high).sum()),
            rank,
            mean,
            sd,
            None,
            alpha,
            why,
        )
    share = inner - first
    value = float(sorted_x[first - 1] * (1 - share) + sorted_x[last - 1] * share)
    below_rank, above_rank = _quantile_ranks(n, p, confidence)
    why = f"{n} results are too few for the rank: the largest is taken." if rank > n else ""
    ends: list[float | None] = []
    for k in (below_rank, above_rank):
        ends.append(float(sorted_x[k - 1]) if k is not None and sure(k) else None)
    if not why and None in ends:
        why = f"{n} results do not carry both ends of the {100 * confidence:g} % interval."
    # With few results an end by order statistics can stand on the wrong side of the interpolated value.
    bottom = None if ends[0] is None else min(ends[0], value)
    top = None if ends[1] is None else max(ends[1], value)
    limit = Bounded(value, bottom, top, unit, confidence, why)
    count = int((low | high).sum())
    return BlankLimit(limit, "non-parametric", n, samples, count, rank, mean, sd, None, alpha, treatment)


def _quantile_ranks(n: int, p: float, confidence: float) -> tuple[int | None, int | None]:
    """Ranks whose order statistics enclose the quantile, each tail at most half of what is left."""
    from scipy import stats

    tail = (1 - confidence) / 2
    low = int(stats.binom.ppf(tail, n, p))
    high = int(stats.binom.ppf(1 - tail, n, p)) + 1
    return (low if low >= 1 else None), (high if high <= n else None)


def _by_normal(x: Floats, alpha: float, samples: int, factor: bool, confidence: float, unit: str) -> BlankLimit:
    from scipy import special

    n = x.size
    z = float(special.ndtri(1 - alpha))
    c = small_sample_factor(1 - alpha, n - samples) if factor else z
    mean, sd = float(x.mean()), float(x.std(ddof=1))
    if float(np.ptp(x)) == 0:
        mean, sd = float(x[0]), 0.0
    value = mean + c * sd
    tail, root = (1 - confidence) / 2, math.sqrt(n)
    low, high = (mean + float(special.nctdtrit(n - 1, z * root, q)) / root * sd for q in (tail, 1 - tail))
    why = "All blank results are equal." if sd == 0 else ""
    limit = Bounded(value, min(low, value), max(high, value), unit, confidence, why)
    return BlankLimit(limit, "parametric", n, samples, 0, None, mean, sd, c, alpha, "")


def _by_likelihood(
    x: Floats, low: Flags, high: Flags, alpha: float, samples: int, confidence: float, unit: str
) -> BlankLimit:
    from scipy import special

    fit = censored_fit(np.ones((x.size, 1)), x, low, high)
    mean, sd, z = float(fit.coefficients[0]), fit.sd, float(special.ndtri(1 - alpha))
    value = mean + z * sd
    said = "Bounds enter by the normal likelihood; no small-sample factor is applied."
    ends = _profile(x, low, high, value, sd, z, confidence) if sd > 0 else (value, value)
    limit = Bounded(value, *ends, unit, confidence)
    count = int((low | high).sum())
    return BlankLimit(limit, "parametric", x.size, samples, count, None, mean, sd, z, alpha, said)


def _profile(
    x: Floats, low: Flags, high: Flags, value: float, sd: float, z: float, confidence: float
) -> tuple[float, float]:
    """Where the likelihood, largest over the SD, has fallen by half the chi-square quantile."""
    from scipy import optimize, special

    # In units of the fitted SD about the limit itself, so that steps and tolerances suit any scale.
    t = (x - value) / sd
    exact = t[~(low | high)]
    n, middle, squares = exact.size, float(exact.mean()), float(np.sum((exact - exact.mean()) ** 2))
    bounds = np.concatenate((t[low], t[high]))
    sign = np.concatenate((np.ones(int(low.sum())), -np.ones(int(high.sum()))))

    def loss(log_s: float, q: float) -> float:
        s = math.exp(log_s)
        m = q - z * s
        body = n * log_s + (squares + n * (middle - m) ** 2) / (2 * s * s)
        return float(body - np.sum(special.log_ndtr(sign * (bounds - m) / s)))

    def least(q: float) -> float:
        return float(optimize.minimize_scalar(loss, bounds=(-4, 4), args=(q,), method="bounded").fun)

    # The point itself came from the same likelihood; a finer search keeps the fall at zero there.
    top = min(least(0.0), loss(0.0, 0.0))
    fall = float(special.chdtri(1, 1 - confidence)) / 2

    def gap(q: float) -> float:
        return least(q) - top - fall

    ends = []
    for step in (-1.0, 1.0):
        while gap(step) < 0 and abs(step) < 1e6:
            step *= 2
        ends.append(value + sd * float(optimize.brentq(gap, min(step, 0.0), max(step, 0.0))))
    return ends[0], ends[1]
