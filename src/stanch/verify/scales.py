"""Differences and ratios alike: a ratio is a difference of logarithms; limits and intervals go both ways."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.records import Bounded

__all__ = ["MARKS", "Scale", "allowed_text", "edges", "every", "grouped", "no_effect", "on_scale", "shown", "thinned"]

Floats = NDArray[np.float64]
Scale = Literal["difference", "ratio"]

MARKS = 2000
"""Marks drawn at most in one layer [-]."""


def on_scale(values: ArrayLike, scale: Scale, name: str = "results") -> Floats:
    """The values themselves, or their logarithms for ratios.

    Parameters
    ----------
    values : array_like, shape (n,)
        [unit].
    scale : str
        ``difference`` or ``ratio``.
    name : str
        For the message.

    Returns
    -------
    ndarray, shape (n,)
        [-].

    Raises
    ------
    InputError
        If a value for a ratio is not above zero.
    """
    x = np.asarray(values, dtype=np.float64)
    if scale == "difference":
        return x
    bad = int((x <= 0).sum())
    if bad:
        raise InputError(
            name,
            got=f"{bad} values at or below zero",
            allowed="values above zero for a ratio",
            do="Choose the scale difference, or leave them out if that is defensible.",
        )
    return np.log(x)


def edges(allowed: float | None, scale: Scale) -> tuple[float | None, float | None]:
    """What is allowed, on the working scale: minus to plus, or 1/allowed to allowed as logarithms.

    Parameters
    ----------
    allowed : float or None
        Largest difference [unit] or largest ratio, above 1 [-].
    scale : str

    Returns
    -------
    tuple of float or None
        [-].
    """
    if allowed is None:
        return None, None
    if scale == "ratio":
        if not (allowed > 1 and math.isfinite(allowed)):
            raise InputError("allowed ratio", got=allowed, allowed="a number above 1", do="1.10 allows 10 %.")
        return -math.log(allowed), math.log(allowed)
    if not (allowed > 0 and math.isfinite(allowed)):
        raise InputError("allowed difference", got=allowed, allowed="a number above 0")
    return -allowed, allowed


def shown(found: Bounded, scale: Scale, unit: str = "") -> Bounded:
    """A number of the working scale as the reader wants it: the difference [unit], or the ratio [-].

    Parameters
    ----------
    found : Bounded
        On the working scale [-].
    scale : str
    unit : str
        Of a difference.

    Returns
    -------
    Bounded
        [unit].
    """
    if scale == "difference":
        return Bounded(found.value, found.low, found.high, unit, found.level, found.why)

    def back(x: float | None) -> float | None:
        # A ratio beyond floating point has no printable end.
        return None if x is None or x > 700 else math.exp(x)

    value = back(found.value)
    why = found.why if found.value is None or value is not None else "The ratio is too large to write."
    return Bounded(value, back(found.low), back(found.high), "1", found.level, why)


def no_effect(scale: Scale) -> float:
    """The number that means no effect, as shown: 0 [unit] or 1 [-]."""
    return 0.0 if scale == "difference" else 1.0


def allowed_text(allowed: float | None, scale: Scale, unit: str, what: str) -> str:
    """The limit in words.

    Parameters
    ----------
    allowed : float or None
        [unit].
    scale, unit, what : str

    Returns
    -------
    str
    """
    if allowed is None:
        return ""
    if scale == "ratio":
        return f"{what} within 1/{allowed:g} to {allowed:g}"
    return f"{what} within ±{allowed:g} {unit}".strip()


def grouped(labels: ArrayLike) -> tuple[NDArray[np.str_], NDArray[np.intp]]:
    """The distinct names in their order of first appearance, and the number of each row's.

    Parameters
    ----------
    labels : array_like of str, shape (n,)

    Returns
    -------
    ndarray of str, shape (group,)
    ndarray of int, shape (n,)
    """
    names, first, inverse = np.unique(np.asarray(labels), return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    place = np.empty(order.size, dtype=np.intp)
    place[order] = np.arange(order.size)
    return names[order], place[inverse.reshape(-1)]


def every(size: int, what: str, most: int = MARKS) -> tuple[slice, str]:
    """Every so many, so that no more are drawn, and the sentence that says so.

    Parameters
    ----------
    size : int
        How many there are.
    what : str
        One of them, in words.
    most : int

    Returns
    -------
    pick : slice
    said : str
        With a space before it; empty where all are drawn.

    Examples
    --------
    >>> every(5000, "point")
    (slice(None, None, 3), ' Every 3rd point is drawn.')
    >>> every(10, "point")
    (slice(None, None, 1), '')
    """
    step = max(1, -(-size // most))
    ending = "th" if step % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(step % 10, "th")
    return slice(None, None, step), "" if step == 1 else f" Every {step}{ending} {what} is drawn."


def thinned(*columns: ArrayLike, most: int = MARKS) -> tuple[tuple[float, ...], ...]:
    """At most so many marks, evenly picked in the order given, for a picture.

    Parameters
    ----------
    *columns : array_like, shape (n,)
        [unit].
    most : int

    Returns
    -------
    tuple of tuple of float
        [unit].
    """
    arrays = [np.asarray(c, dtype=np.float64) for c in columns]
    size = arrays[0].size
    pick = np.arange(size) if size <= most else np.unique(np.linspace(0, size - 1, most).round().astype(np.intp))
    return tuple(tuple(a[pick].tolist()) for a in arrays)
