"""Readings of two groups in one order: the side that means positive up, bounds in their place, ties kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked, flags

__all__ = ["Bounds", "Direction", "Marks", "marks"]

Floats = NDArray[np.float64]
Places = NDArray[np.intp]
Direction = Literal["higher", "lower"]
Bounds = Literal["refuse", "common"]


@dataclass(frozen=True)
class Marks:
    """Readings as places among their distinct values, ordered towards positive.

    Parameters
    ----------
    positive, negative : ndarray of int, shape (n,)
        Place of each reading of each group among `levels`, in the order handed in.
    levels : ndarray, shape (level,)
        Distinct values, rising where higher means positive and falling where lower does; a bound stands for the
        values beyond it [unit].
    direction : str
    below, above : bool
        Whether the lowest level is ``<x`` and the highest ``>x``, as numbers.
    recoded : int
        Exact readings or other bounds that count as the common bound.
    """

    positive: Places
    negative: Places
    levels: Floats
    direction: Direction
    below: bool = False
    above: bool = False
    recoded: int = 0


def marks(
    values: ArrayLike,
    positive: ArrayLike,
    *,
    direction: Direction = "higher",
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    bounds: Bounds = "refuse",
) -> Marks:
    """Order the readings of both groups.

    Parameters
    ----------
    values : array_like, shape (person,)
        Readings; for a censored one its bound [unit].
    positive : array_like of bool, shape (person,)
        Who belongs to the positive group by the reference classification.
    direction : str
        Whether ``higher`` or ``lower`` readings mean positive; never guessed.
    below, above : array_like of bool, shape (person,), optional
        Which readings are ``<x`` and ``>x``. They rank lowest and highest, tied with one another.
    bounds : str
        Where a bound leaves the order open (``<5`` beside an exact 3 or ``<2``): ``refuse``, or ``common`` to take
        everything below the highest ``<x`` as below it and everything above the lowest ``>x`` as above it.

    Returns
    -------
    Marks

    Raises
    ------
    InputError
        If a group is empty, a value not finite, or the order is open and that is refused.
    """
    x = checked(values, "readings", least=2)
    group = np.asarray(positive, dtype=bool)
    if group.shape != x.shape:
        raise InputError("reference classification", got=f"{group.size} entries", allowed=f"{x.size}, one per reading")
    if group.all() or not group.any():
        which = "negative" if group.all() else "positive"
        raise InputError(
            "reference classification", got=f"nobody in the {which} group", allowed="at least one in each group"
        )
    if direction not in ("higher", "lower"):
        raise InputError("direction", got=direction, allowed="higher or lower")
    x, side, recoded = _common(
        x, flags(below, x.size, "censored readings"), flags(above, x.size, "censored readings"), bounds
    )
    order = np.lexsort((side, x))
    if direction == "lower":
        order = order[::-1]
    sorted_x, sorted_side = x[order], side[order]
    fresh = np.concatenate(([True], (sorted_x[1:] != sorted_x[:-1]) | (sorted_side[1:] != sorted_side[:-1])))
    place = np.empty(x.size, dtype=np.intp)
    place[order] = np.cumsum(fresh) - 1
    return Marks(
        place[group],
        place[~group],
        sorted_x[fresh],
        direction,
        bool((side < 0).any()),
        bool((side > 0).any()),
        recoded,
    )


def _common(
    x: Floats, below: NDArray[np.bool_], above: NDArray[np.bool_], bounds: Bounds
) -> tuple[Floats, NDArray[np.int8], int]:
    """Values with one lowest and one highest bound, and which side of the number each lies on."""
    side = np.zeros(x.size, dtype=np.int8)
    made, recoded = x.copy(), 0
    if below.any() and above.any() and float(x[above].min()) < float(x[below].max()):
        raise InputError(
            "readings known only as bounds",
            got=f"one that is >{x[above].min():g} and one that is <{x[below].max():g}",
            allowed="bounds that leave an order",
            do="Leave these rows out if that is defensible, and say so.",
        )
    if below.any():
        edge = float(x[below].max())
        under = below | (x < edge)
        recoded += _settle(under, below & (x == edge), bounds, f"<{edge:g}")
        made[under], side[under] = edge, -1
    if above.any():
        edge = float(x[above].min())
        over = above | (x > edge)
        recoded += _settle(over, above & (x == edge), bounds, f">{edge:g}")
        made[over], side[over] = edge, 1
    return made, side, recoded


def _settle(beyond: NDArray[np.bool_], same: NDArray[np.bool_], bounds: Bounds, name: str) -> int:
    others = int((beyond & ~same).sum())
    if others and bounds == "refuse":
        raise InputError(
            "readings known only as bounds",
            got=f"{others} readings whose order against {name} is open",
            allowed="one bound, with every other reading on its inner side",
            do=f"Choose to let them all count as {name}, or leave such rows out and say so.",
        )
    return others
