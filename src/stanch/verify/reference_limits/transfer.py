"""May limits from elsewhere be used here? A check with twenty reference individuals, and what the check can see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked, flags, share_interval
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.limits import Floats

__all__ = ["Transference", "chance_of_acceptance", "transference"]

Decision = Literal["accepted", "second set", "rejected", "undecided"]


@dataclass(frozen=True)
class Transference:
    """Twenty reference individuals, or more, against limits from elsewhere.

    Parameters
    ----------
    n : tuple of int
        Size of the first set, and of the second one where there is one.
    outside : tuple of int
        Values outside the limits in each set, for certain.
    unclear : tuple of int
        Censored values that may lie on either side, in each set.
    share : Bounded or None
        Share outside in all sets together, exact interval [-]; None while values are unclear.
    most : int
        Most values allowed outside in a set.
    again : int
        Most values outside the first set with which a second one may be tried.
    decision : str
        ``accepted``, ``second set`` (one is needed), ``rejected`` or ``undecided``.
    """

    n: tuple[int, ...]
    outside: tuple[int, ...]
    unclear: tuple[int, ...]
    share: Bounded | None
    most: int
    again: int
    decision: Decision


def transference(
    first: ArrayLike,
    second: ArrayLike | None = None,
    *,
    lower: float | None = None,
    upper: float | None = None,
    most: int = 2,
    again: int = 4,
    below: tuple[ArrayLike | None, ArrayLike | None] = (None, None),
    above: tuple[ArrayLike | None, ArrayLike | None] = (None, None),
    level: float = 0.95,
) -> Transference:
    """Count values outside limits from elsewhere and decide.

    Parameters
    ----------
    first, second : array_like, shape (person,)
        Values of the first and of a second set of reference individuals [unit].
    lower, upper : float, optional
        The limits; a value equal to one lies inside [unit].
    most : int
        Most values outside with which a set is accepted.
    again : int
        Most values outside the first set with which a second set may be tried; more reject at once.
    below, above : tuple of array_like of bool
        Which values of each set are ``<x`` and ``>x``.
    level : float
        Of the interval of the share [-].

    Returns
    -------
    Transference

    Raises
    ------
    InputError
        If there is no limit, the limits are exchanged, or `again` is below `most`.

    Notes
    -----
    Common practice with twenty individuals: two outside are allowed, three or four call for a second set.
    """
    if lower is None and upper is None:
        raise InputError("limits to be taken over", got="none", allowed="a lower or an upper limit, or both")
    if lower is not None and upper is not None and not lower < upper:
        raise InputError("limits to be taken over", got=(lower, upper), allowed="lower < upper")
    if not 0 <= most <= again:
        raise InputError("values allowed outside", got=(most, again), allowed="0 <= most <= again")
    sets = [checked(first, "first set")] + ([] if second is None else [checked(second, "second set")])
    counted = [_outside(x, lower, upper, below[k], above[k]) for k, x in enumerate(sets)]
    outside, unclear = tuple(c[0] for c in counted), tuple(c[1] for c in counted)
    n = tuple(int(x.size) for x in sets)
    share = None if any(unclear) else share_interval(sum(outside), sum(n), level=level)
    return Transference(n, outside, unclear, share, most, again, _decide(outside, unclear, most, again))


def chance_of_acceptance(
    outside: ArrayLike, *, n: int = 20, most: int = 2, again: int | None = None
) -> NDArray[np.float64]:
    """Probability that the check accepts, by the true share of people outside the limits.

    Parameters
    ----------
    outside : array_like
        True share outside [-].
    n : int
        People in a set.
    most : int
        Most values outside with which a set is accepted.
    again : int, optional
        Most values outside the first set with which a second one is drawn; None for a single set.

    Returns
    -------
    ndarray
        [-]; exact binomial.

    Raises
    ------
    InputError
        If a share is not between 0 and 1.
    """
    from scipy import special

    p = np.asarray(outside, dtype=np.float64)
    if p.size and not (float(p.min()) >= 0 and float(p.max()) <= 1):
        raise InputError("share outside", got=outside, allowed="0 to 1")
    if n < 1 or not 0 <= most <= n or (again is not None and not most <= again <= n):
        raise InputError("transference check", got=(n, most, again), allowed="0 <= most <= again <= n")

    def at_most(k: int) -> Floats:
        made: Floats = special.bdtr(float(k), n, p)
        return made

    once = at_most(most)
    if again is None:
        return np.asarray(once)
    return np.asarray(once + (at_most(again) - once) * once)


def _outside(
    x: Floats, lower: float | None, upper: float | None, below: ArrayLike | None, above: ArrayLike | None
) -> tuple[int, int]:
    under, over = flags(below, x.size, "censored values"), flags(above, x.size, "censored values")
    low = -np.inf if lower is None else lower
    high = np.inf if upper is None else upper
    exact = ~(under | over)
    # A value below x lies outside when x is at or below the lower limit, and is unclear when x is above it.
    surely = (exact & ((x < low) | (x > high))) | (under & (x <= low)) | (over & (x >= high))
    possibly = (under & (x > low) & np.isfinite(low)) | (over & (x < high) & np.isfinite(high))
    possibly |= (under & (x > high)) | (over & (x < low))
    return int(surely.sum()), int((possibly & ~surely).sum())


def _decide(outside: tuple[int, ...], unclear: tuple[int, ...], most: int, again: int) -> Decision:
    possible: set[Decision] = set()
    for extra in np.ndindex(*(u + 1 for u in unclear)):
        counts = [o + e for o, e in zip(outside, extra)]
        if counts[0] <= most:
            possible.add("accepted")
        elif counts[0] > again:
            possible.add("rejected")
        elif len(counts) == 1:
            possible.add("second set")
        else:
            possible.add("accepted" if counts[1] <= most else "rejected")
    return possible.pop() if len(possible) == 1 else "undecided"
