"""Two questions about one additive: is what it should stop all stopped, and is it without effect where not needed?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.equivalence import Equivalence, outcome, paired, ratio_paired
from stanch.verify.intervals import checked, mean_interval
from stanch.verify.reagents.ratio import ratio_of_totals
from stanch.verify.records import Bounded, Outcome

__all__ = ["NullEffect", "Residual", "null_effect", "residual_loss"]


@dataclass(frozen=True)
class Residual:
    """What an antifibrinolytic leaves of added lysis.

    Parameters
    ----------
    residual : Bounded
        Mean loss rate with the antifibrinolytic, minus the control's where there is one, with the interval of level
        1 - 2 alpha [unit].
    challenge : Bounded
        Mean loss rate without the antifibrinolytic minus that with it: shows that there was lysis to stop [unit].
    stopped : Bounded
        Share of the added loss that is stopped, one minus residual over added, in the mean [-].
    outcome : str
        ``undecided`` where the samples were not shown to lyse.
    challenged : bool or None
        Whether lysis was shown; null when it was not measured.
    n : int
    """

    residual: Bounded
    challenge: Bounded
    stopped: Bounded
    outcome: Outcome
    challenged: bool | None
    n: int


def residual_loss(
    protected: ArrayLike,
    *,
    control: ArrayLike | None = None,
    unprotected: ArrayLike | None = None,
    allowed: float | None = None,
    alpha: float = 0.05,
    unit: str = "%/min",
) -> Residual:
    """Is all of the lysis stopped?

    Parameters
    ----------
    protected : array_like, shape (sample,)
        Loss rate of samples with added lysis in the well with antifibrinolytic, positive for loss [unit].
    control : array_like, shape (sample,), optional
        Loss rate of the same samples, same well, without added lysis: what decline there is anyway [unit].
    unprotected : array_like, shape (sample,), optional
        Loss rate of the samples with added lysis in the well without antifibrinolytic [unit].
    allowed : float, optional
        Largest residual loss rate [unit].
    alpha : float
        Of the one-sided test [-].
    unit : str

    Returns
    -------
    Residual
    """
    p = checked(protected, "loss rate with antifibrinolytic", least=2)
    others = []
    for values, name in ((control, "control"), (unprotected, "loss rate without antifibrinolytic")):
        array = None if values is None else checked(values, name, least=2)
        if array is not None and array.size != p.size:
            raise InputError(name, got=f"{array.size} values", allowed=f"{p.size}, one per sample")
        others.append(array)
    c, u = others
    level = 1 - 2 * alpha
    rest = p if c is None else p - c
    residual = mean_interval(rest, level=level, unit=unit)
    challenged: bool | None = None
    challenge = Bounded.missing("The well without antifibrinolytic was not measured.", unit)
    stopped = Bounded.missing("Needs the well without antifibrinolytic.", "1")
    if u is not None:
        challenge = mean_interval(u - p, level=level, unit=unit)
        challenged = challenge.low is not None and challenge.low > 0
        added = float(np.mean(u - (0.0 if c is None else c)))
        if challenged and added > 0:
            left = ratio_of_totals(rest, u - (0.0 if c is None else c), level=level)
            stopped = Bounded(
                None if left.value is None else 1 - left.value,
                None if left.high is None else 1 - left.high,
                None if left.low is None else 1 - left.low,
                "1",
                level,
                left.why,
            )
        else:
            stopped = Bounded.missing("The samples were not shown to lyse.", "1")
    verdict = outcome(residual, None, allowed)
    if verdict == "met" and not challenged:
        verdict = "undecided"
    return Residual(residual, challenge, stopped, verdict, challenged, int(p.size))


@dataclass(frozen=True)
class NullEffect:
    """Effect of an additive in samples that do not need it.

    Parameters
    ----------
    ratio : Bounded
        With over without, geometric mean and the interval of level 1 - 2 alpha; the difference where that was asked
        for [unit].
    equivalence : Equivalence
    """

    ratio: Bounded
    equivalence: Equivalence


def null_effect(
    without: ArrayLike,
    with_additive: ArrayLike,
    *,
    allowed: float | None = None,
    difference: bool = False,
    alpha: float = 0.05,
    unit: str = "",
) -> NullEffect:
    """Is an additive without effect where it is not needed?

    Parameters
    ----------
    without, with_additive : array_like, shape (sample,)
        The same reading in both wells [unit].
    allowed : float, optional
        Largest ratio, above 1 [-], or largest difference [unit].
    difference : bool
        Judge the difference instead of the ratio.
    alpha : float
        Of each one-sided test [-].
    unit : str

    Returns
    -------
    NullEffect
    """
    if difference:
        edge = None if allowed is None else abs(allowed)
        found = paired(
            without, with_additive, lower=None if edge is None else -edge, upper=edge, alpha=alpha, unit=unit
        )
    else:
        found = ratio_paired(without, with_additive, margin=allowed, alpha=alpha)
    return NullEffect(found.difference, found)
