"""Limit of quantitation: the lowest level from which on the coefficient of variation stays within a goal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.records import Bounded
from stanch.verify.variance_function import VarianceFunction, fit_variance_function

__all__ = ["QuantitationLimit", "limit_of_quantitation"]

Form = Literal["auto", "constant", "proportional", "both", "power"]


@dataclass(frozen=True)
class QuantitationLimit:
    """A limit of quantitation.

    Parameters
    ----------
    limit : Bounded
        [unit].
    function : VarianceFunction
        Standard deviation against level.
    cv : float
        The goal [%].
    extrapolated : bool
        Whether it lies outside the levels measured.
    """

    limit: Bounded
    function: VarianceFunction
    cv: float
    extrapolated: bool


def limit_of_quantitation(
    level: ArrayLike,
    sd: ArrayLike,
    df: ArrayLike,
    *,
    cv: float,
    form: Form = "auto",
    confidence: float = 0.95,
    unit: str = "",
) -> QuantitationLimit:
    """Lowest level from which on the coefficient of variation stays at or below a goal.

    Parameters
    ----------
    level, sd, df : array_like, shape (sample,)
        Mean and standard deviation of each sample [unit], degrees of freedom of the latter [-].
    cv : float
        Goal [%].
    form : str
        Of the variance function: ``auto``, ``constant``, ``proportional``, ``both`` or ``power``.
    confidence : float
        Of the interval: where the interval of the fitted coefficient of variation meets the goal [-].
    unit : str

    Returns
    -------
    QuantitationLimit

    Raises
    ------
    InputError
        If the goal is not above zero or no variance function can be fitted.
    """
    if not 0 < cv < 1000:
        raise InputError("allowed coefficient of variation", got=cv, allowed="above 0 %")
    function = fit_variance_function(level, sd, df, form=form)
    if not function.high > 0:
        raise InputError("levels", got=f"none above zero, highest {function.high:g}", allowed="levels above zero")
    value = function.lowest_level_for_cv(cv / 100)
    if value is None:
        why = f"The fitted coefficient of variation does not stay at or below {cv:g} % at high levels."
        return QuantitationLimit(Bounded.missing(why, unit), function, cv, False)
    if value < function.low:
        why = f"The goal is kept down to the lowest level measured, {function.low:g}; below it nothing was measured."
    elif value > function.high:
        why = "It lies above every level measured: an extrapolation."
    else:
        why = ""
    low, high = _ends(function, cv / 100, confidence)
    if low is not None:
        low = min(low, value)
    if high is not None:
        high = max(high, value)
    elif not why:
        why = "The upper end lies beyond ten times the highest level measured, or nowhere."
    beyond = not function.low <= value <= function.high
    return QuantitationLimit(Bounded(value, low, high, unit, confidence, why), function, cv, beyond)


def _ends(function: VarianceFunction, cv: float, confidence: float) -> tuple[float | None, float | None]:
    """Where the lower and the upper limit of the fitted CV meet the goal for the last time."""
    top = 10 * function.high
    bottom = max(min(function.low, function.high * 1e-3), function.high * 1e-9) / 1000
    grid = np.geomspace(bottom, top, 400)
    lower, upper = np.empty(grid.size), np.empty(grid.size)
    # Far from the data a steep power passes every number: beyond reach, like an SD that is not known.
    with np.errstate(over="ignore", under="ignore"):
        for k, level in enumerate(grid):
            found = function.interval(float(level), probability=confidence)
            lower[k] = np.inf if found.low is None else found.low / level
            upper[k] = np.inf if found.high is None else found.high / level
    return _last_crossing(grid, lower, cv, 0.0), _last_crossing(grid, upper, cv, 0.0)


def _last_crossing(
    grid: np.ndarray[tuple[int], np.dtype[np.float64]],
    ratio: np.ndarray[tuple[int], np.dtype[np.float64]],
    cv: float,
    floor: float,
) -> float | None:
    over = np.flatnonzero(ratio > cv)
    if over.size == 0:
        return floor
    k = int(over[-1])
    if k == grid.size - 1:
        return None
    # Straight between neighbours on both logarithms.
    a, b = np.log(ratio[k] / cv), np.log(ratio[k + 1] / cv) if ratio[k + 1] > 0 else -50.0
    return float(np.exp(np.log(grid[k]) + (np.log(grid[k + 1]) - np.log(grid[k])) * a / (a - b)))
