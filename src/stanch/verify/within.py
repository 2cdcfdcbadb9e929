"""How a result changes along a dose, a time or an exposure within samples, and where it leaves what is allowed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.groups import places
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["Change", "change_along"]

Floats = NDArray[np.float64]
Slopes = Literal["vary", "common"]

STEPS = 2000
"""Steps in which a crossing is looked for before it is refined [-]."""


@dataclass(frozen=True)
class Change:
    """The mean change of a result from its value at a reference.

    Parameters
    ----------
    order : int
        Of the polynomial.
    slopes : str
        ``vary``: mean of the curves of single samples, with the spread between samples in the interval. ``common``:
        one curve for all, with only the scatter about it.
    reference : float
        Where the change is zero by definition [unit].
    low, high : float
        Tested range [unit].
    samples, n : int
        Used.
    left_out : int
        Samples with too few different doses for a curve of their own.
    df : float
        [-].
    coefficients, covariance : ndarray
        In powers 1, 2, ... of (x - centre)/scale [-].
    centre, scale : float
        [unit].
    residual_sd : float or None
        Scatter about the curves [unit]; null when none is left to tell.
    """

    order: int
    slopes: str
    reference: float
    low: float
    high: float
    samples: int
    n: int
    left_out: int
    df: float
    coefficients: Floats
    covariance: Floats
    centre: float
    scale: float
    residual_sd: float | None

    def _terms(self, x: Floats) -> Floats:
        t, t0 = (x - self.centre) / self.scale, (self.reference - self.centre) / self.scale
        return np.column_stack([t**k - t0**k for k in range(1, self.order + 1)])

    def curve(self, x: ArrayLike, *, level: float = 0.90) -> tuple[Floats, Floats, Floats]:
        """Change at each x with the ends of its pointwise interval.

        Parameters
        ----------
        x : array_like, shape (n,)
            [unit].
        level : float
            [-].

        Returns
        -------
        tuple of ndarray, shape (n,)
            Value, low, high [unit].
        """
        from scipy import special

        terms = self._terms(np.atleast_1d(np.asarray(x, dtype=np.float64)))
        value = terms @ self.coefficients
        variance = np.einsum("ij,jk,ik->i", terms, self.covariance, terms)
        half = float(special.stdtrit(self.df, 0.5 + level / 2)) * np.sqrt(np.maximum(variance, 0.0))
        return value, value - half, value + half

    def at(self, x: float, *, level: float = 0.90) -> Bounded:
        """Change at one x.

        Parameters
        ----------
        x : float
            [unit].
        level : float
            [-].

        Returns
        -------
        Bounded
            [unit].
        """
        value, low, high = (float(v[0]) for v in self.curve([x], level=level))
        return Bounded(value, low, high, "", level)

    def slope(self, *, level: float = 0.95) -> Bounded:
        """Change per unit of x at the reference.

        Parameters
        ----------
        level : float
            [-].

        Returns
        -------
        Bounded
            [unit].
        """
        from scipy import special

        t0 = (self.reference - self.centre) / self.scale
        terms = np.array([k * t0 ** (k - 1) for k in range(1, self.order + 1)]) / self.scale
        value = float(terms @ self.coefficients)
        se = math.sqrt(max(float(terms @ self.covariance @ terms), 0.0))
        half = float(special.stdtrit(self.df, 0.5 + level / 2)) * se
        return Bounded(value, value - half, value + half, "", level)

    def leaves(
        self, lower: float, upper: float, *, level: float = 0.90, towards: Literal["up", "down"] = "up"
    ) -> Bounded:
        """Where the change leaves what is allowed, walking from the reference to the end of the tested range.

        Parameters
        ----------
        lower, upper : float
            Allowed change [unit].
        level : float
            Of the pointwise band [-]; its near end is a one-sided limit of level (1 + level)/2.
        towards : str
            ``up`` or ``down`` along x.

        Returns
        -------
        Bounded
            Where the curve leaves; low: where its band first touches the limit; high: where all of the band is
            outside [unit]. What is not reached within the tested range is null, with the reason.
        """
        end = self.high if towards == "up" else self.low
        if end == self.reference:
            return Bounded.missing("Nothing was tested on that side of the reference.")
        # Normalised so that leaving is rising above 1 whichever side; -1 is the other side.
        middle, half = (lower + upper) / 2, (upper - lower) / 2

        def band(x: Floats) -> tuple[Floats, Floats, Floats]:
            value, low, high = self.curve(x, level=level)
            return (value - middle) / half, (low - middle) / half, (high - middle) / half

        first = _first(lambda x: np.maximum(band(x)[2], -band(x)[1]), self.reference, end)
        value = _first(lambda x: np.abs(band(x)[0]), self.reference, end)
        last = _first(lambda x: np.maximum(band(x)[1], -band(x)[2]), self.reference, end)
        side = "up" if towards == "up" else "down"
        if value is None:
            why = f"Not reached {side} to {end:g}, the end of the tested range."
        elif last is None:
            why = f"The far end of the interval lies beyond {end:g}, the end of the tested range."
        else:
            why = ""
        near, far = (first, last) if towards == "up" else (last, first)
        if value is None and first is None:
            why = f"Not reached {side} to {end:g}, the end of the tested range; nor by its interval."
        return Bounded(value, near, far, "", level, why)


def _first(function: Callable[[Floats], Floats], start: float, end: float) -> float | None:
    """The first x from start to end at which the function reaches 1."""
    from scipy import optimize

    grid = np.linspace(start, end, STEPS + 1)
    out = function(grid) >= 1.0
    if not out.any():
        return None
    k = int(np.argmax(out))
    if k == 0:
        return start
    a, b = float(grid[k - 1]), float(grid[k])
    root = optimize.brentq(lambda x: float(function(np.array([x]))[0]) - 1.0, a, b, xtol=abs(end - start) * 1e-14)
    return float(root)


def change_along(
    x: ArrayLike,
    y: ArrayLike,
    sample: ArrayLike | None = None,
    *,
    reference: float = 0.0,
    order: int = 1,
    slopes: Slopes = "vary",
) -> Change:
    """Fit the change of a result along x within samples.

    Parameters
    ----------
    x : array_like, shape (n,)
        Dose, time or exposure [unit].
    y : array_like, shape (n,)
        Results [unit].
    sample : array_like of str, shape (n,), optional
        Names; each sample has a level of its own. Without it all results are of one sample.
    reference : float
        Where the change is zero [unit].
    order : int
        1 to 3.
    slopes : str
        ``vary`` or ``common``.

    Returns
    -------
    Change

    Raises
    ------
    InputError
        If there is too little to fit.

    Notes
    -----
    With ``vary`` every sample has its own least-squares curve (random coefficients); the mean of the coefficients has
    a t interval with samples - 1 degrees of freedom, exact for equal designs. With ``common`` levels of samples are
    taken out and one curve is fitted.
    """
    dose, result = checked(x, "doses", least=2), checked(y, "results", least=2)
    if dose.size != result.size:
        raise InputError("results", got=f"{result.size}", allowed=f"one for each of {dose.size} doses")
    if order not in (1, 2, 3):
        raise InputError("order", got=order, allowed="1, 2 or 3")
    group = places(sample, dose.size)
    low, high = float(dose.min()), float(dose.max())
    if not high > low:
        raise InputError("doses", got=f"{low:g} throughout", allowed="at least two different doses")
    centre, scale = (low + high) / 2, (high - low) / 2
    order_by = np.lexsort((dose, group))
    group, t, result = group[order_by], (dose[order_by] - centre) / scale, result[order_by]
    size = float(np.abs(result - result.mean()).max()) or 1.0
    start = np.flatnonzero(np.r_[True, np.diff(group) > 0])
    count = np.diff(np.r_[start, group.size])
    terms = np.column_stack([t**k for k in range(1, order + 1)])
    terms = terms - (np.add.reduceat(terms, start) / count[:, None])[group]
    y0 = (result - result.mean()) / size
    y0 = y0 - (np.add.reduceat(y0, start) / count)[group]
    distinct = np.add.reduceat(np.r_[True, (np.diff(t) > 0) | (np.diff(group) > 0)].astype(np.intp), start)
    found = (_vary if slopes == "vary" else _common)(terms, y0, group, start, count, distinct)
    beta, covariance, df, sd, used, n, left = found
    return Change(
        order,
        slopes,
        float(reference),
        low,
        high,
        used,
        n,
        left,
        df,
        beta * size,
        covariance * size**2,
        centre,
        scale,
        None if sd is None else sd * size,
    )


Found = tuple[Floats, Floats, float, float | None, int, int, int]
Whole = NDArray[np.intp]


def _common(terms: Floats, y: Floats, group: Whole, start: Whole, count: Whole, distinct: Whole) -> Found:
    order = terms.shape[1]
    df = y.size - start.size - order
    if df < 1:
        raise InputError("results", got=f"{y.size} of {start.size} samples", allowed="more results than unknowns")
    q, r = np.linalg.qr(terms)
    if not np.abs(np.diag(r)).min() > 1e-10 * np.abs(r).max():
        raise InputError("doses", got="too few different doses within samples", allowed=f"{order + 1} or more")
    beta = np.linalg.solve(r, q.T @ y)
    residual = y - terms @ beta
    variance = float(residual @ residual) / df
    inverse = np.linalg.inv(r)
    return beta, variance * inverse @ inverse.T, float(df), math.sqrt(variance), start.size, y.size, 0


def _vary(terms: Floats, y: Floats, group: Whole, start: Whole, count: Whole, distinct: Whole) -> Found:
    order = terms.shape[1]
    gram = np.add.reduceat(terms[:, :, None] * terms[:, None, :], start)
    side = np.add.reduceat(terms * y[:, None], start)
    fit = distinct > order
    kept = int(fit.sum())
    if kept < 2:
        raise InputError(
            "samples",
            got=f"{kept} samples with {order + 1} or more different doses",
            allowed="at least 2 when slopes may vary",
            do="Choose common slopes, which assumes that all samples respond alike.",
        )
    beta = np.linalg.solve(gram[fit], side[fit][:, :, None])[:, :, 0]
    mean = beta.mean(axis=0)
    away = beta - mean
    covariance = away.T @ away / (kept - 1) / kept
    whole = np.zeros((start.size, order))
    whole[fit] = beta
    residual = (y - np.einsum("ij,ij->i", terms, whole[group]))[fit[group]]
    free = int((count[fit] - order - 1).sum())
    sd = math.sqrt(float(residual @ residual) / free) if free > 0 else None
    return mean, covariance, kept - 1.0, sd, kept, int(count[fit].sum()), int(start.size - kept)
