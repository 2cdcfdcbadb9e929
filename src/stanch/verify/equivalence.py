"""Two one-sided tests: is a difference (or a ratio) small enough not to matter?"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import NO_SCATTER, checked
from stanch.verify.records import Bounded, Definition, Outcome

__all__ = ["EQUIVALENCE", "Equivalence", "outcome", "paired", "ratio_paired", "together", "unpaired"]

WIDTH = 1e-12  # relative width below which an interval is rounding

EQUIVALENCE = Definition(
    "equivalence",
    "Both one-sided t tests at alpha reject; the same as the 1 − 2 alpha interval inside the limits.",
    "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory",
)
"""What the word means in every account that uses it."""


@dataclass(frozen=True)
class Equivalence:
    """A mean difference against a margin.

    Parameters
    ----------
    difference : Bounded
        Mean difference with the interval that decides, of level 1 - 2 alpha [unit].
    se, df : float
        Standard error [unit] and degrees of freedom [-].
    lower, upper : float or None
        Margin [unit]; null when none was stated.
    p_lower, p_upper, p : float or None
        One-sided p values against each end and the larger of them [-].
    alpha : float
        Of each one-sided test [-].
    outcome : str
    n : int
        Pairs, or values of both groups together.
    """

    difference: Bounded
    se: float
    df: float
    lower: float | None
    upper: float | None
    p_lower: float | None
    p_upper: float | None
    p: float | None
    alpha: float
    outcome: Outcome
    n: int


def outcome(value: Bounded, lower: float | None, upper: float | None, *, point: bool = False) -> Outcome:
    """Where an interval stands against what is allowed.

    Parameters
    ----------
    value : Bounded
        [unit].
    lower, upper : float or None
        What is allowed [unit]; null for an open side.
    point : bool
        Whether an interval without width can be right, as one of ranks of equal readings or one at the end of a scale.

    Returns
    -------
    str
        ``met`` when the whole interval is allowed, ``not met`` when none of it is, else ``undecided``. An interval from
        a standard deviation that has no width is undecided: scatter that was not seen is unknown, not zero.
    """
    if lower is None and upper is None:
        return "no limit stated"
    if value.value is None:
        return "undecided"
    if not point and _without_width(value):
        return "undecided"
    # An end that is open, or was not asked for, decides nothing on its side.
    low = value.low if value.low is not None else -math.inf
    high = value.high if value.high is not None else math.inf
    if (lower is None or low > lower) and (upper is None or high < upper):
        return "met"
    beyond = (lower is not None and high < lower) or (upper is not None and low > upper)
    return "not met" if beyond else "undecided"


def _without_width(value: Bounded) -> bool:
    """Whether the ends are one number but for rounding."""
    if value.low is None or value.high is None:
        return False
    return value.high - value.low <= WIDTH * max(abs(value.low), abs(value.high))


def together(outcomes: Iterable[Outcome]) -> Outcome:
    """The outcome of a claim that holds when all of its parts do.

    Parameters
    ----------
    outcomes : iterable of str
        One at least.

    Returns
    -------
    str
        ``met`` when all are, ``not met`` when one is not, ``no limit stated`` when one has none, else ``undecided``.

    Examples
    --------
    >>> together(["met", "undecided"]), together(["undecided", "not met"])
    ('undecided', 'not met')
    """
    found = set(outcomes)
    worst: tuple[Outcome, ...] = ("no limit stated", "not met", "undecided")
    return next((one for one in worst if one in found), "met")


def paired(
    before: ArrayLike,
    after: ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    alpha: float = 0.05,
    unit: str = "",
) -> Equivalence:
    """Equivalence of pairs: mean of ``after - before`` against the margin.

    Parameters
    ----------
    before, after : array_like, shape (pair,)
        [unit].
    lower, upper : float, optional
        Margin [unit].
    alpha : float
        Of each one-sided test [-]; the deciding interval has level 1 - 2 alpha.
    unit : str

    Returns
    -------
    Equivalence

    Raises
    ------
    InputError
        If there are fewer than two pairs or the lengths differ.
    """
    x, y = checked(before, "before", least=2), checked(after, "after", least=2)
    if x.size != y.size:
        raise InputError("pairs", got=f"{x.size} and {y.size} values", allowed="as many before as after")
    d = y - x
    return _decide(
        float(d.mean()), float(d.std(ddof=1) / math.sqrt(d.size)), d.size - 1.0, d.size, lower, upper, alpha, unit
    )


def unpaired(
    one: ArrayLike,
    two: ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    alpha: float = 0.05,
    pooled: bool = False,
    unit: str = "",
) -> Equivalence:
    """Equivalence of two independent groups: mean of `two` minus mean of `one` against the margin.

    Parameters
    ----------
    one, two : array_like, shape (n,)
        [unit].
    lower, upper : float, optional
        Margin [unit].
    alpha : float
        [-].
    pooled : bool
        One common variance instead of Welch's.
    unit : str

    Returns
    -------
    Equivalence
    """
    x, y = checked(one, "first group", least=2), checked(two, "second group", least=2)
    vx, vy = float(x.var(ddof=1)), float(y.var(ddof=1))
    if pooled:
        df = float(x.size + y.size - 2)
        se = math.sqrt(((x.size - 1) * vx + (y.size - 1) * vy) / df * (1 / x.size + 1 / y.size))
    else:
        both = vx / x.size + vy / y.size
        se = math.sqrt(both)
        share = vx / x.size / both if both > 0 else math.nan
        df = 1 / (share**2 / (x.size - 1) + (1 - share) ** 2 / (y.size - 1)) if both > 0 else float(x.size + y.size - 2)
    return _decide(float(y.mean() - x.mean()), se, df, x.size + y.size, lower, upper, alpha, unit)


def ratio_paired(
    before: ArrayLike,
    after: ArrayLike,
    *,
    margin: float | None = None,
    alpha: float = 0.05,
) -> Equivalence:
    """Equivalence of pairs as a ratio: geometric mean of ``after / before`` against 1/margin to margin.

    Parameters
    ----------
    before, after : array_like, shape (pair,)
        Above zero [unit].
    margin : float, optional
        Largest ratio allowed, above 1 [-].
    alpha : float
        [-].

    Returns
    -------
    Equivalence
        `difference` holds the ratio and its interval [-]; `se`, `lower` and `upper` are on the logarithm's scale.

    Raises
    ------
    InputError
        If a value is not above zero or the margin not above 1.
    """
    x, y = checked(before, "before", least=2), checked(after, "after", least=2)
    if (x <= 0).any() or (y <= 0).any():
        bad = int((x <= 0).sum() + (y <= 0).sum())
        raise InputError("pairs for a ratio", got=f"{bad} values at or below zero", allowed="values above zero")
    if margin is not None and not margin > 1:
        raise InputError("ratio margin", got=margin, allowed="a number above 1")
    edge = None if margin is None else math.log(margin)
    logs = paired(np.log(x), np.log(y), lower=None if edge is None else -edge, upper=edge, alpha=alpha)
    d = logs.difference
    assert d.value is not None
    shown = Bounded(
        math.exp(d.value),
        None if d.low is None else math.exp(d.low),
        None if d.high is None else math.exp(d.high),
        "1",
        d.level,
        d.why,
    )
    return Equivalence(
        shown, logs.se, logs.df, logs.lower, logs.upper, logs.p_lower, logs.p_upper, logs.p, alpha, logs.outcome, logs.n
    )


def _decide(
    mean: float,
    se: float,
    df: float,
    n: int,
    lower: float | None,
    upper: float | None,
    alpha: float,
    unit: str,
) -> Equivalence:
    from scipy import special

    if not 0 < alpha < 0.5:
        raise InputError("alpha", got=alpha, allowed="above 0 and below 0.5")
    if lower is not None and upper is not None and not lower < upper:
        raise InputError("margin", got=(lower, upper), allowed="lower < upper")
    half = float(special.stdtrit(df, 1 - alpha)) * se
    found = Bounded(mean, mean - half, mean + half, unit, 1 - 2 * alpha, NO_SCATTER if se == 0 else "")

    def p_value(distance: float) -> float | None:
        if se == 0:
            return None
        return float(special.stdtr(df, -distance / se))

    p_lower = None if lower is None else p_value(mean - lower)
    p_upper = None if upper is None else p_value(upper - mean)
    both = [p for p in (p_lower, p_upper) if p is not None]
    p = max(both) if both else None
    return Equivalence(found, se, df, lower, upper, p_lower, p_upper, p, alpha, outcome(found, lower, upper), n)
