"""What every way to a reference limit returns, and the probabilities it is made for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["ReferenceLimits", "Side", "probabilities", "reference_values"]

Side = Literal["two", "lower", "upper"]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ReferenceLimits:
    """Reference limits with the intervals of each.

    Parameters
    ----------
    method : str
        How they were found.
    interval : str
        How their intervals were found, in words.
    n : int
        Values they rest on.
    coverage : float
        Share of the reference population between the limits, or on the inner side of a single one [-].
    side : str
        ``two``, or ``lower`` or ``upper`` for a single limit.
    lower, upper : Bounded or None
        [unit]; None where a single limit was asked for.
    middle : float or None
        Median of the values [unit]; null when it is known only as a bound.
    ranks : mapping of str to tuple of int or None
        Ranks of the interval ends, by ``lower`` and ``upper``; only for the method of ranks.
    details : mapping of str to float or Bounded
        Location, scale, transformation: what the method also found.
    """

    method: str
    interval: str
    n: int
    coverage: float
    side: Side
    lower: Bounded | None
    upper: Bounded | None
    middle: float | None
    ranks: Mapping[str, tuple[int | None, int | None]] = field(default_factory=dict)
    details: Mapping[str, float | Bounded] = field(default_factory=dict)

    def relative_width(self, which: Literal["lower", "upper"]) -> float | None:
        """Width of a limit's interval over the width of the reference interval.

        Parameters
        ----------
        which : str
            ``lower`` or ``upper``.

        Returns
        -------
        float or None
            [-]; null where either width is not known. A single limit has no reference interval; the distance from the
            median to the limit, doubled, takes its place.
        """
        limit = self.lower if which == "lower" else self.upper
        if limit is None or limit.value is None or limit.low is None or limit.high is None:
            return None
        if self.side == "two":
            other = self.upper if which == "lower" else self.lower
            whole = None if other is None or other.value is None else abs(other.value - limit.value)
        else:
            whole = None if self.middle is None else 2 * abs(limit.value - self.middle)
        return (limit.high - limit.low) / whole if whole else None


def probabilities(coverage: float, side: Side) -> dict[Literal["lower", "upper"], float]:
    """Which quantiles the limits are.

    Parameters
    ----------
    coverage : float
        [-].
    side : str

    Returns
    -------
    dict
        Probability below the limit [-] by ``lower`` and ``upper``.

    Raises
    ------
    InputError
        If the coverage is not above 1/2 and below 1.
    """
    if not 0.5 < coverage < 1:
        raise InputError("coverage", got=coverage, allowed="above 0.5 and below 1")
    if side == "two":
        return {"lower": (1 - coverage) / 2, "upper": (1 + coverage) / 2}
    if side == "lower":
        return {"lower": 1 - coverage}
    if side == "upper":
        return {"upper": coverage}
    raise InputError("side", got=side, allowed="two, lower or upper")


def reference_values(values: ArrayLike, level: float, *, least: int = 3) -> Floats:
    """The values of reference individuals, or a clear refusal.

    Parameters
    ----------
    values : array_like, shape (person,)
        [unit].
    level : float
        Of the intervals [-].
    least : int

    Returns
    -------
    ndarray, shape (person,)
        [unit].
    """
    if not 0 < level < 1:
        raise InputError("level of the interval", got=level, allowed="above 0 and below 1")
    return checked(values, "reference values", least=least)
