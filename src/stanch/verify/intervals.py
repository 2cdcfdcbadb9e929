"""Intervals every protocol needs: of a mean, of a standard deviation, of a share."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.records import Bounded

__all__ = ["checked", "flags", "mean_interval", "score_ends", "sd_interval", "share_interval"]

Side = Literal["two", "lower", "upper"]
NO_SCATTER = "No scatter was seen, so the interval has no width: the resolution of the readings may hide it."


def checked(values: ArrayLike, name: str, *, least: int = 1) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """One-dimensional finite numbers, or a clear refusal.

    Parameters
    ----------
    values : array_like, shape (n,)
        [unit].
    name : str
        For the message.
    least : int
        How many there must be.

    Returns
    -------
    ndarray, shape (n,)
        [unit].

    Raises
    ------
    InputError
        If they are too few, not finite or not one-dimensional.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise InputError(name, got=f"{array.ndim} dimensions", allowed="one dimension")
    bad = int((~np.isfinite(array)).sum())
    if bad:
        raise InputError(name, got=f"{bad} values that are not finite", allowed="finite numbers", do="Leave them out.")
    if array.size < least:
        raise InputError(name, got=f"{array.size} values", allowed=f"at least {least}")
    return array


def flags(given: ArrayLike | None, size: int, name: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """One flag for each value, none set where none were given.

    Parameters
    ----------
    given : array_like of bool, shape (n,), optional
    size : int
        How many there must be.
    name : str
        For the message.

    Returns
    -------
    ndarray of bool, shape (n,)

    Raises
    ------
    InputError
        If there are more or fewer.
    """
    if given is None:
        return np.zeros(size, dtype=bool)
    array = np.asarray(given, dtype=bool)
    if array.shape != (size,):
        raise InputError(f"flags of {name}", got=f"{array.size} flags", allowed=f"{size}, one for each value")
    return array


def _checked_level(level: float) -> None:
    if not 0 < level < 1:
        raise InputError("level of an interval", got=level, allowed="above 0 and below 1")


def mean_interval(values: ArrayLike, *, level: float = 0.95, unit: str = "", name: str = "values") -> Bounded:
    """Mean with its t interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        [unit].
    level : float
        [-].
    unit, name : str

    Returns
    -------
    Bounded
        [unit]; without interval for a single value.
    """
    from scipy import special

    _checked_level(level)
    x = checked(values, name)
    mean = float(np.mean(x))
    if x.size < 2:
        return Bounded(mean, unit=unit, level=level, why="A single value has no interval.")
    half = float(special.stdtrit(x.size - 1, 0.5 + level / 2) * x.std(ddof=1) / math.sqrt(x.size))
    return Bounded(mean, mean - half, mean + half, unit, level, NO_SCATTER if half == 0 else "")


def sd_interval(sd: float, df: float, *, level: float = 0.95, side: Side = "two", unit: str = "") -> Bounded:
    """A standard deviation with its chi-square interval; degrees of freedom stay fractional.

    Parameters
    ----------
    sd : float
        [unit].
    df : float
        Degrees of freedom [-].
    level : float
        [-].
    side : str
        ``two``, or one-sided ``lower`` or ``upper``.
    unit : str

    Returns
    -------
    Bounded
        [unit].
    """
    from scipy import special

    _checked_level(level)
    if not (df > 0 and math.isfinite(df)) or sd < 0 or not math.isfinite(sd):
        return Bounded.missing("No degrees of freedom are left for it.", unit)

    def end(p: float) -> float | None:
        quantile = float(special.chdtri(df, p))
        found = sd * math.sqrt(df / quantile) if quantile > 0 else math.inf
        return found if math.isfinite(found) else None

    tail = (1 - level) / 2 if side == "two" else 1 - level
    low = None if side == "upper" else end(tail)
    high = None if side == "lower" else end(1 - tail)
    open_above = "Too few degrees of freedom for an upper end." if high is None and side != "lower" else ""
    return Bounded(sd, low, high, unit, level, NO_SCATTER if sd == 0 else open_above)


def share_interval(count: int, of: int, *, level: float = 0.95, method: Literal["exact", "score"] = "exact") -> Bounded:
    """A share with its exact binomial (Clopper-Pearson) or score (Wilson) interval.

    Parameters
    ----------
    count, of : int
        How many of how many [-].
    level : float
        [-].
    method : str

    Returns
    -------
    Bounded
        [-].
    """
    from scipy import special

    _checked_level(level)
    if of < 1 or not 0 <= count <= of:
        raise InputError("share", got=f"{count} of {of}", allowed="0 <= count <= of, of at least 1")
    p = count / of
    tail = (1 - level) / 2
    if method == "exact":
        low = 0.0 if count == 0 else float(special.betaincinv(count, of - count + 1, tail))
        high = 1.0 if count == of else float(special.betaincinv(count + 1, of - count, 1 - tail))
    else:
        low, high = (float(end) for end in score_ends(p, of, level))
    return Bounded(p, min(low, p), max(high, p), "1", level)


def score_ends(share: ArrayLike, of: int, level: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ends of score (Wilson) intervals of many shares of the same number.

    Parameters
    ----------
    share : array_like, shape (n,)
        [-].
    of : int
    level : float
        [-].

    Returns
    -------
    low, high : ndarray, shape (n,)
        Within 0 to 1, and on either side of the share [-].
    """
    from scipy import special

    p = np.asarray(share, dtype=np.float64)
    z = float(special.ndtri((1 + level) / 2))
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * np.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return np.clip(np.minimum(middle - half, p), 0, 1), np.clip(np.maximum(middle + half, p), 0, 1)
