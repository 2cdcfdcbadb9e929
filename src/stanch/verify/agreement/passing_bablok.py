"""Passing-Bablok regression: a line between two methods from ranks of pairwise slopes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.absolute_slopes import AbsoluteSlopeRanks
from stanch.verify.agreement.lines import (
    StraightLine,
    level_checked,
    needs_spread,
    paired_values,
    scatter_about,
)
from stanch.verify.agreement.slopes import SlopeRanks, snapped
from stanch.verify.compiled import compiled
from stanch.verify.records import Bounded

__all__ = ["PassingBablokLine", "passing_bablok"]

Floats = NDArray[np.float64]
Rounding = Literal["nearest", "outward"]
Relation = Literal["same", "general"]
BiasInterval = Literal["auto", "bootstrap", "influence", "none"]

RESAMPLED = 200
"""Up to so many points the bias interval is bootstrapped, above it comes from influence functions."""


@dataclass(frozen=True)
class PassingBablokLine:
    """A Passing-Bablok line and what it rests on.

    Parameters
    ----------
    line : StraightLine
        Slope and intercept with their rank intervals; `covariance` or `draws` serve the bias at a level only.
    slopes : int
        Pairwise slopes that were ranked.
    identical : int
        Pairs dropped because both points are the same.
    minus_one : int
        Pairs dropped because their slope is exactly -1.
    offset : int
        K, the number of slopes below -1.
    ranks : tuple of int, or None
        Ranks of the lower and upper slope limit among all slopes, before the offset.
    rounding : str
    exact : bool
        Whether slopes were compared in whole numbers.
    """

    line: StraightLine
    slopes: int
    identical: int
    minus_one: int
    offset: int
    ranks: tuple[int, int] | None
    rounding: Rounding
    exact: bool


def passing_bablok(
    x: ArrayLike,
    y: ArrayLike,
    *,
    relation: Relation = "same",
    level: float = 0.95,
    rounding: Rounding = "nearest",
    bias_interval: BiasInterval = "auto",
    draws: int = 1000,
    seed: int = 1,
    unit: str = "",
) -> PassingBablokLine:
    """Line between two methods from the shifted median of all pairwise slopes.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    relation : str
        ``same``: both methods share a unit and the slope is near 1 (1983); ``general``: any slope above 0, the
        median of the absolute pairwise slopes, which follows a change of either unit (1988).
    level : float
        [-].
    rounding : str
        How the ranks of the slope limits become whole: ``nearest`` (halves up) or ``outward`` (never too narrow).
    bias_interval : str
        Interval of the bias at a level: ``bootstrap`` of pairs, ``influence`` (large-sample, from the influence
        functions of slope and intercept), ``none``, or ``auto``: bootstrap up to 200 points, influence above.
    draws, seed : int
        Of the bootstrap; the line itself does not depend on the seed.
    unit : str

    Returns
    -------
    PassingBablokLine

    Raises
    ------
    InputError
        If the methods are not positively related, or no pair has a slope.

    Notes
    -----
    Passing H, Bablok W. J Clin Chem Clin Biochem 1983;21:709-720 (from memory). Pairs equal in both methods and pairs
    of slope -1 are dropped; they are found in whole numbers, since floating point misses some. Upright pairs count as
    plus or minus infinity; which of the two makes no difference, because the order starts at -1. Variance of the
    concordance n(n - 1)(2n + 5)/18 without a correction for ties; the intercept is the median of y - slope x, its
    limits are those medians at the opposite slope limits. Exact ranks for any number of points in n log n time (see
    `stanch.verify.agreement.slopes`). That method is for methods in the same unit whose slope is near 1; for others
    ``general`` takes the median absolute slope (Bablok W, Passing H, Bender R, Schneider B. J Clin Chem Clin Biochem
    1988;26:783-790, from memory), whose limits have ranks from the estimated variance of the concordance between
    y - b x and y + b x (own derivation, theory of U-statistics).

    Examples
    --------
    >>> found = passing_bablok([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], bias_interval="none")
    >>> found.line.b, found.line.a
    (4.0, 6.0)
    """
    from scipy import special

    xs, ys = paired_values(x, y)
    level_checked(level)
    needs_spread(xs, "x")
    needs_spread(ys, "y")
    if rounding not in ("nearest", "outward"):
        raise InputError("rounding of ranks", got=rounding, allowed="nearest or outward")
    n = int(xs.size)
    if relation not in ("same", "general"):
        raise InputError("relation", got=relation, allowed="same or general")
    kind = SlopeRanks if relation == "same" else AbsoluteSlopeRanks
    pairs = kind(xs, ys, seed)
    if pairs.total == 0:
        raise InputError("pairwise slopes", got="every pair dropped", allowed="at least one pair with a slope above −1")
    middle = _middle_ranks(pairs.total)
    found = pairs.at(middle)
    b = sum(found) / len(found)
    _refuse_unrelated(xs, ys, b, found, relation)
    spread = math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    if relation == "general":
        spread = pairs.total * math.sqrt(4 / n * float(np.mean(_lean(xs, ys, b, relation) ** 2)))
    lower = (pairs.total - float(special.ndtri(0.5 + level / 2)) * spread) / 2
    first = math.floor(lower + 0.5) if rounding == "nearest" else math.floor(lower)
    ranks = (first, pairs.total - first + 1) if first >= 1 else None
    found += pairs.at(list(ranks or ()))
    a = float(np.median(ys - b * xs))
    slope = Bounded(b, level=level, why="Too few points for a rank interval at this level.")
    intercept = Bounded(a, unit=unit, level=level, why=slope.why)
    if ranks is not None:
        slope, intercept = _rank_intervals(xs, ys, a, b, found[-2], found[-1], level, unit)
    covariance, drawn, words = _for_bias(xs, ys, a, b, pairs, bias_interval, draws, relation)
    line = StraightLine(
        "Passing-Bablok regression" + ("" if relation == "same" else ", general relation"),
        n,
        intercept,
        slope,
        covariance,
        math.inf,
        scatter_about(xs, ys, a, b),
        "ranks of the pairwise slopes; bias at a level: " + words,
        drawn,
    )
    return PassingBablokLine(
        line,
        pairs.total,
        pairs.dropped_identical,
        pairs.dropped_minus_one,
        pairs.below_minus_one(),
        ranks,
        rounding,
        pairs.exact,
    )


def _middle_ranks(total: int) -> list[int]:
    return [(total + 1) // 2] if total % 2 else [total // 2, total // 2 + 1]


def _refuse_unrelated(xs: Floats, ys: Floats, b: float, middle: list[float], relation: Relation) -> None:
    if relation == "general" and float(np.sum(_concordance(xs, ys))) <= 0:
        b = -abs(b)
    if not math.isfinite(b) or b <= 0 or min(middle) < -1:
        raise InputError(
            "Passing-Bablok slope",
            got="upright" if not math.isfinite(b) else b,
            allowed="methods that rise together, so that the shifted median slope is above 0",
            do="Turn the sign of one method, or do not use this regression.",
        )


def _rank_intervals(
    xs: Floats, ys: Floats, a: float, b: float, low: float, high: float, level: float, unit: str
) -> tuple[Bounded, Bounded]:
    """Slope and intercept with their limits; an end beyond the upright line is open."""
    why = "" if math.isfinite(high) and high > -1 else "The upper slope limit lies at or beyond the upright line."
    top = high if not why else None
    starts = [float(np.median(ys - end * xs)) for end in (low, *(() if top is None else (top,)))]
    slope = Bounded(b, min(low, b), None if top is None else max(top, b), "", level, why)
    if top is None:
        return slope, Bounded(a, unit=unit, level=level, why=why)
    return slope, Bounded(a, min(*starts, a), max(*starts, a), unit, level)


def _for_bias(
    xs: Floats,
    ys: Floats,
    a: float,
    b: float,
    pairs: SlopeRanks,
    kind: BiasInterval,
    draws: int,
    relation: Relation,
) -> tuple[Floats | None, Floats | None, str]:
    if kind == "auto":
        kind = "bootstrap" if xs.size <= RESAMPLED else "influence"
    if kind == "none":
        return None, None, "none"
    if kind == "influence":
        return influence_covariance(xs, ys, a, b, pairs, relation), None, "large-sample, from the influence functions"
    if kind != "bootstrap":
        raise InputError("bias interval", got=kind, allowed="auto, bootstrap, influence or none")
    drawn = _bootstrap(xs, ys, draws, type(pairs), pairs.seed, relation)
    return np.cov(drawn, rowvar=False), drawn, f"percentiles of {drawn.shape[0]} bootstrap draws of pairs"


def _bootstrap(xs: Floats, ys: Floats, draws: int, ranks: type[SlopeRanks], seed: int, relation: Relation) -> Floats:
    if draws < 100:
        raise InputError("bootstrap draws", got=draws, allowed="at least 100")
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(draws):
        picked = rng.integers(0, xs.size, xs.size)
        px, py = xs[picked], ys[picked]
        try:
            pairs = ranks(px, py, seed)
            if not pairs.total:
                continue
            found = pairs.at(_middle_ranks(pairs.total))
            _refuse_unrelated(px, py, sum(found) / len(found), found, relation)
        except InputError:
            continue
        b = sum(found) / len(found)
        out.append((float(np.median(py - b * px)), b))
    if len(out) < 0.95 * draws:
        raise InputError(
            "bootstrap draws",
            got=f"{draws - len(out)} of {draws} without a line",
            allowed="at most one in twenty",
            do="Measure more samples over a wider range, or state --bias-interval influence.",
        )
    return np.array(out)


def influence_covariance(
    xs: Floats, ys: Floats, a: float, b: float, pairs: SlopeRanks, relation: Relation = "same"
) -> Floats:
    """Large-sample covariance of (intercept, slope) from their influence functions.

    Parameters
    ----------
    xs, ys : ndarray, shape (sample,)
        [unit].
    a, b : float
        The line.
    pairs : SlopeRanks
    relation : str

    Returns
    -------
    ndarray, shape (2, 2)

    Notes
    -----
    Slope: projection of the sign of (slope of a pair - b) over the density of pairwise slopes at b. Intercept: sign of
    the residual over twice its density at zero, minus the local mean of x times the influence of the slope. Own
    derivation from the theory of U-statistics (Hoeffding 1948); coverage is studied in
    benchmarks/verification_coverage_agreement.py.
    """
    n = xs.size
    rest = ys - b * xs - a
    lean = _lean(xs, ys, b, relation)
    spread = math.sqrt(max(float(np.mean(lean**2)), 1.0 / (n * n)) * 4 / n) * pairs.total / 2
    reach = max(int(spread), 1)
    centre = (pairs.total + 1) / 2
    ranks = [max(1, math.floor(centre - reach)), min(pairs.total, math.ceil(centre + reach))]
    low, high = pairs.at(ranks)
    if not math.isfinite(high) or high < -1:
        raise InputError("bias interval", got="slopes up to the upright line", allowed="more points for this interval")
    per_slope = (high - low) * pairs.total / (ranks[1] - ranks[0])
    order = np.argsort(rest, kind="stable")
    half = max(1, min(math.ceil(math.sqrt(n)), (n - 1) // 2))
    left, right = n // 2 - half, min(n // 2 + half, n - 1)
    per_height = (rest[order[right]] - rest[order[left]]) * n / (right - left)
    near = float(xs[order[left : right + 1]].mean())
    of_slope = lean * per_slope
    clear = np.abs(rest) > 8 * np.finfo(float).eps * (np.abs(ys) + np.abs(b * xs) + abs(a))
    of_start = np.where(clear, np.sign(rest), 0.0) / 2 * per_height - near * of_slope
    both = np.stack([of_start, of_slope])
    return np.asarray(both @ both.T / (n * max(n - 2, 1)))


def _lean(xs: Floats, ys: Floats, b: float, relation: Relation) -> Floats:
    """For every point, the mean sign of (slope to another point - b) in the order in which slopes are ranked."""
    # A pair of slope exactly b is a tie, which rounding must not break.
    rest = snapped(ys, -b * xs)
    # |dy| > b |dx| exactly when y - b x and y + b x rise or fall together.
    return _concordance(snapped(ys, b * xs) if relation == "general" else snapped(xs, ys), rest)


def _concordance_loop(tied: NDArray[np.int64], runs: NDArray[np.int64]) -> Floats:
    """For every point, in order of u: pairs that agree minus pairs that disagree, ties in u left out."""
    n = tied.size
    top = tied.max() + 1
    out = np.zeros(n)
    for side in range(2):
        tree = np.zeros(top + 1, dtype=np.int64)
        seen = 0
        run = 0
        while run < runs.size - 1:
            r = run if side == 0 else runs.size - 2 - run
            for k in range(runs[r], runs[r + 1]):
                through, below = 0, 0
                i = tied[k] + 1
                while i > 0:
                    through += tree[i]
                    i -= i & -i
                i = tied[k]
                while i > 0:
                    below += tree[i]
                    i -= i & -i
                gap = below - (seen - through)
                out[k] += gap if side == 0 else -gap
            for k in range(runs[r], runs[r + 1]):
                i = tied[k] + 1
                while i <= top:
                    tree[i] += 1
                    i += i & -i
                seen += 1
            run += 1
    return out


concordance_loop = compiled(_concordance_loop)


def _concordance(u: Floats, w: Floats) -> Floats:
    n = u.size
    order = np.argsort(u, kind="stable")
    _, tied = np.unique(w[order], return_inverse=True)
    ordered = u[order]
    runs = np.concatenate([[0], np.flatnonzero(ordered[1:] != ordered[:-1]) + 1, [n]]).astype(np.int64)
    out = np.empty(n)
    out[order] = concordance_loop(tied.astype(np.int64), runs) / (n - 1)
    return out
