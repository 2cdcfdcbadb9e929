"""Do wells with tissue factor clot by it, or by contact with the wall?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded, Outcome

__all__ = ["Contact", "contact_activation"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Contact:
    """Onsets with tissue factor against those of the blank.

    Parameters
    ----------
    lead : Bounded
        Median of blank minus tissue factor within samples, with a one-sided lower limit from the sign test [unit].
    median_with, median_blank : Bounded
        Kaplan-Meier medians [unit].
    curve_with, curve_blank : tuple of tuple of float
        Times and shares not yet clotted [unit].
    log_rank, p : float or None
        Statistic (standard normal, from its square) and two-sided p, taking the wells as independent [-].
    open_with, open_blank : int
        Wells that never clotted within the run.
    outcome : str
    n : int
        Samples.
    """

    lead: Bounded
    median_with: Bounded
    median_blank: Bounded
    curve_with: tuple[tuple[float, ...], tuple[float, ...]]
    curve_blank: tuple[tuple[float, ...], tuple[float, ...]]
    log_rank: float | None
    p: float | None
    open_with: int
    open_blank: int
    outcome: Outcome
    n: int


def contact_activation(
    with_factor: ArrayLike,
    blank: ArrayLike,
    *,
    with_open: ArrayLike | None = None,
    blank_open: ArrayLike | None = None,
    least: float | None = None,
    alpha: float = 0.05,
    unit: str = "",
) -> Contact:
    """How much earlier wells with tissue factor set than the blank.

    Parameters
    ----------
    with_factor, blank : array_like, shape (sample,)
        Onsets of the same samples with and without tissue factor [unit].
    with_open, blank_open : array_like of bool, shape (sample,), optional
        Wells that never set: the number is the end of the run.
    least : float, optional
        Lead that is wanted in the median sample [unit].
    alpha : float
        Of the one-sided limit [-].
    unit : str

    Returns
    -------
    Contact

    Notes
    -----
    The lead of a sample whose blank never set is known only as a lower bound, and used as that; one whose well with
    tissue factor never set counts as no lead at all. The lower limit of the median is an order statistic (exact sign
    test), so it holds for any distribution. Kaplan EL, Meier P. J Am Stat Assoc 53:457-481 (1958); Mantel N. Cancer
    Chemother Rep 50:163-170 (1966); both from memory, computed by SciPy.
    """
    from scipy import special

    t, b = checked(with_factor, "with tissue factor", least=2), checked(blank, "blank", least=2)
    if t.size != b.size:
        raise InputError("onsets", got=f"{t.size} and {b.size}", allowed="one of each per sample")
    never_t = np.zeros(t.size, dtype=bool) if with_open is None else np.asarray(with_open, dtype=bool)
    never_b = np.zeros(b.size, dtype=bool) if blank_open is None else np.asarray(blank_open, dtype=bool)
    lead = np.sort(np.where(never_t, -np.inf, b - t))
    n = lead.size
    # The largest r with P(Binomial(n, 1/2) <= r - 1) <= alpha: the r-th smallest is a lower limit of the median.
    ranks = np.flatnonzero(special.bdtr(np.arange(n), n, 0.5) <= alpha)
    low = float(lead[ranks[-1]]) if ranks.size else -np.inf
    middle = float(np.median(lead)) if np.isfinite(lead[(n - 1) // 2]) else -np.inf
    why = "" if not never_b.any() else "Leads over blanks that never set count by their lower bound."
    if not np.isfinite(low):
        why = "Too few samples for a limit." if not ranks.size else "Too many wells with tissue factor never set."
    found = Bounded(
        middle if np.isfinite(middle) else None,
        low if np.isfinite(low) else None,
        None,
        unit,
        1 - alpha,
        why if np.isfinite(middle) else "Most wells with tissue factor never set.",
    )
    return Contact(
        found,
        _median(t, never_t, unit),
        _median(b, never_b, unit),
        _curve(t, never_t),
        _curve(b, never_b),
        *_log_rank(t, never_t, b, never_b),
        int(never_t.sum()),
        int(never_b.sum()),
        _verdict(found, least, np.where(never_b, np.inf, b - t), int(ranks[-1]) if ranks.size else None),
        n,
    )


def _verdict(found: Bounded, least: float | None, farthest: Floats, rank: int | None) -> Outcome:
    if least is None:
        return "no limit stated"
    if found.low is not None and found.low >= least:
        return "met"
    # Not met where even the upper limit of the median falls short, every bound taken for as much as it could be.
    high = np.sort(farthest)[farthest.size - 1 - rank] if rank is not None else np.inf
    return "not met" if high < least else "undecided"


def _censored(t: Floats, never: Flags) -> object:
    from scipy import stats

    return stats.CensoredData(uncensored=t[~never], right=t[never])


def _curve(t: Floats, never: Flags) -> tuple[tuple[float, ...], tuple[float, ...]]:
    from scipy import stats

    found = stats.ecdf(_censored(t, never)).sf  # type: ignore[arg-type]
    return (
        tuple(float(v) for v in [0.0, *found.quantiles]),
        tuple(float(v) for v in [1.0, *found.probabilities]),
    )


def _median(t: Floats, never: Flags, unit: str, level: float = 0.95) -> Bounded:
    """Kaplan-Meier median; its interval by inverting the log-log interval of the curve."""
    from scipy import stats

    if never.all():
        return Bounded.missing("No well set within the run.", unit)
    curve = stats.ecdf(_censored(t, never)).sf  # type: ignore[arg-type]
    at, left = np.asarray(curve.quantiles), np.asarray(curve.probabilities)

    def first(share: Floats) -> float | None:
        under = np.flatnonzero(share <= 0.5 + 1e-12)
        return float(at[under[0]]) if under.size else None

    value = first(left)
    if value is None:
        return Bounded.missing("Fewer than half of the wells set within the run.", unit)
    low, high = _log_log(t, never, at, left, level)
    ends = first(low), first(high)
    return Bounded(value, ends[0], ends[1], unit, level, "" if ends[1] is not None else "Open above.")


def _log_log(t: Floats, never: Flags, at: Floats, left: Floats, level: float) -> tuple[Floats, Floats]:
    from scipy import special

    ordered, events = np.sort(t), np.sort(t[~never])
    risk = t.size - np.searchsorted(ordered, at, side="left")
    died = np.searchsorted(events, at, side="right") - np.searchsorted(events, at, side="left")
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.cumsum(died / (risk * (risk - died)))
        theta = special.ndtri(0.5 + level / 2) * np.sqrt(spread) / np.log(left)
        low, high = left ** np.exp(-theta), left ** np.exp(theta)
    # Before the first event nothing is known to differ from one; after the last, from zero.
    edge = (left >= 1) | (left <= 0)
    return np.where(edge, left, np.minimum(low, high)), np.where(edge, left, np.maximum(low, high))


def _log_rank(t: Floats, never_t: Flags, b: Floats, never_b: Flags) -> tuple[float | None, float | None]:
    from scipy import stats

    if never_t.all() and never_b.all():
        return None, None
    if np.unique(np.r_[t[~never_t], b[~never_b]]).size < 2 and not (never_t.any() or never_b.any()):
        return None, None
    with np.errstate(divide="ignore", invalid="ignore"):
        found = stats.logrank(_censored(t, never_t), _censored(b, never_b))  # type: ignore[arg-type]
    if not np.isfinite(found.statistic):
        return None, None
    return float(found.statistic), float(found.pvalue)
