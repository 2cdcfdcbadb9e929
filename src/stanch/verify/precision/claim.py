"""Verification of a claimed standard deviation with few results, such as five days of five replicates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.groups import ordered
from stanch.verify.intervals import checked
from stanch.verify.precision.components import ERROR, Analysis, Total
from stanch.verify.precision.nested import degrees_at, nested_anova

__all__ = ["ClaimCheck", "ClaimedLevel", "verification_limit", "verify_claim"]

Family = Literal["bonferroni", "sidak"]


@dataclass(frozen=True)
class ClaimCheck:
    """One standard deviation against its claim.

    Parameters
    ----------
    claimed : float
        Standard deviation that is claimed [unit].
    total : Total
        What was found.
    df : float
        Degrees of freedom of the limit [-].
    limit : float
        Upper verification limit [unit].
    met : bool
        Whether what was found is not above the limit.
    """

    claimed: float
    total: Total
    df: float
    limit: float
    met: bool


@dataclass(frozen=True)
class ClaimedLevel:
    """A level of a verification of claims.

    Parameters
    ----------
    level : str
    analysis : Analysis
    repeatability : ClaimCheck
    intermediate : ClaimCheck or None
    """

    level: str
    analysis: Analysis
    repeatability: ClaimCheck
    intermediate: ClaimCheck | None


def verification_limit(claimed: float, df: float, *, error: float = 0.05) -> float:
    """Largest observed standard deviation that does not contradict a claim.

    Parameters
    ----------
    claimed : float
        [unit].
    df : float
        Degrees of freedom of the observed standard deviation [-].
    error : float
        Probability that an observed one is above the limit although the claim is true [-].

    Returns
    -------
    float
        claimed * sqrt(chi2(1 - error, df) / df) [unit].
    """
    from scipy import special

    if not (claimed > 0 and math.isfinite(claimed)):
        raise InputError("claimed standard deviation", got=claimed, allowed="a number above zero")
    if not df > 0 or not 0 < error < 1:
        raise InputError("degrees of freedom and error", got=(df, error), allowed="above zero, and between 0 and 1")
    return float(claimed * math.sqrt(float(special.chdtri(df, error)) / df))


def verify_claim(
    values: ArrayLike,
    groups: Mapping[str, ArrayLike],
    *,
    claimed_repeatability: ArrayLike,
    claimed_intermediate: ArrayLike | None = None,
    level: ArrayLike | None = None,
    as_cv: bool = False,
    error: float = 0.05,
    family: Family = "bonferroni",
) -> tuple[ClaimedLevel, ...]:
    """Check claims for repeatability and intermediate precision at one or several levels.

    Parameters
    ----------
    values : array_like, shape (row,)
        [unit].
    groups : mapping of str to array_like of str, shape (row,)
        The factors between which intermediate precision varies, outermost first, usually one: the day.
    claimed_repeatability, claimed_intermediate : array_like
        Claimed standard deviations [unit], or coefficients of variation as fractions [-] with `as_cv`; one, or one
        per level in sorted order of the names (numbers by size).
    level : array_like of str, shape (row,), optional
        Name of the level of each result.
    as_cv : bool
        Whether the claims are coefficients of variation, to be multiplied by the mean found at each level.
    error : float
        Probability that any level fails although all claims are true, for repeatability and for intermediate
        precision each [-].
    family : str
        How that is shared among the levels: ``bonferroni`` (error/levels) or ``sidak`` (1 - (1 - error)^(1/levels)).

    Returns
    -------
    tuple of ClaimedLevel

    Raises
    ------
    InputError
        If a claim is missing, not above zero, or below the claimed repeatability.

    Notes
    -----
    limit = claimed * sqrt(chi2(1 - share, df)/df). For repeatability df is that of the replicates; for intermediate
    precision it is Satterthwaite's at the claimed components, so that the limit does not depend on the results. A
    design of five days with five replicates is common practice; the formula is the chi-square quantile itself.
    """
    if family not in ("bonferroni", "sidak"):
        raise InputError("family", got=family, allowed="bonferroni, sidak")
    if not 0 < error < 1:
        raise InputError("error", got=error, allowed="between 0 and 1")
    y = checked(values, "results", least=3)
    marks = np.zeros(y.size, dtype=np.intp) if level is None else np.asarray(level)
    if marks.size != y.size:
        raise InputError("levels", got=marks.size, allowed=f"{y.size}, one for each result")
    names, place = ordered(marks)
    count = int(names.size)
    share = error / count if family == "bonferroni" else 1 - (1 - error) ** (1 / count)
    small = _claims(claimed_repeatability, count, "claimed repeatability")
    large = (
        None if claimed_intermediate is None else _claims(claimed_intermediate, count, "claimed intermediate precision")
    )
    found = []
    for k in range(count):
        here = place == k
        own = {name: np.asarray(column)[here] for name, column in groups.items()}
        analysis = nested_anova(y[here], own, reml=False)
        factor = analysis.mean if as_cv else 1.0
        if not factor > 0:
            raise InputError("mean of a level", got=analysis.mean, allowed="above zero for claims as CV")
        first = float(small[k]) * factor
        repeat = _check(analysis, (ERROR,), first, float(analysis[ERROR].df), share)
        inter = None
        if large is not None:
            second = float(large[k]) * factor
            if second < first:
                raise InputError(
                    "claimed intermediate precision", got=second, allowed=f"at least the repeatability, {first:g}"
                )
            # The claim does not say which factor its excess comes from: it is given to the outermost.
            parts = [(second / first) ** 2 - 1, *([0.0] * (len(own) - 1)), 1.0]
            inter = _check(analysis, None, second, degrees_at(own, parts), share)
        found.append(ClaimedLevel(str(names[k]) if level is not None else "", analysis, repeat, inter))
    return tuple(found)


def _claims(given: ArrayLike, count: int, name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    array = checked(np.atleast_1d(np.asarray(given, dtype=np.float64)), name)
    if array.size not in (1, count) or (array <= 0).any():
        raise InputError(name, got=array.tolist(), allowed=f"one number or {count}, all above zero")
    return checked(np.broadcast_to(array, (count,)), name)


def _check(analysis: Analysis, parts: tuple[str, ...] | None, claimed: float, df: float, share: float) -> ClaimCheck:
    total = analysis.total(parts)
    limit = verification_limit(claimed, df, error=share)
    return ClaimCheck(claimed, total, df, limit, math.sqrt(total.variance) <= limit)
