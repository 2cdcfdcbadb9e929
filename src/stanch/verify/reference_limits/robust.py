"""Robust reference limits: biweight location and scales, after Horn and Pesce."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.limits import Floats, ReferenceLimits, Side, probabilities, reference_values
from stanch.verify.reference_limits.normal import above_zero

__all__ = ["biweight", "robust_ends", "robust_limits"]

_LOCATION, _WIDE = 3.7, 205.6
_TO_SD = 0.6745
_BLOCKS, _BLOCKS_FROM = 100, 50_000
_CELLS = 2_000_000


def biweight(values: ArrayLike) -> tuple[float, float]:
    """Biweight location and the scale of the robust reference interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        [unit].

    Returns
    -------
    tuple of float
        Location, and scale sqrt(S^2 + T^2) for one further value [unit].

    Raises
    ------
    InputError
        If more than half of the values are equal, so that their median distance is zero.
    """
    x = checked(values, "values", least=3)
    location, scale = _many(x[None, :])
    if not np.isfinite(location[0] + scale[0]):
        raise InputError(
            "reference values",
            got="more than half of the values equal, or too few near the middle",
            allowed="values that spread",
            do="Use the method of ranks.",
        )
    return float(location[0]), float(scale[0])


def robust_ends(samples: Floats, ps: tuple[float, ...]) -> Floats:
    """Robust limits of many samples at once.

    Parameters
    ----------
    samples : ndarray, shape (sample, n)
        [unit].
    ps : tuple of float
        Probabilities below the limits [-].

    Returns
    -------
    ndarray, shape (sample, limit)
        [unit]; NaN where a sample does not spread.
    """
    from scipy import special

    location, scale = _many(samples)
    t = special.stdtrit(samples.shape[1] - 1.0, np.array(ps))
    made: Floats = location[:, None] + t[None, :] * scale[:, None]
    return made


def robust_limits(
    values: ArrayLike,
    *,
    coverage: float = 0.95,
    side: Side = "two",
    level: float = 0.90,
    draws: int = 2000,
    seed: int = 1,
    logarithm: bool = False,
    unit: str = "",
) -> ReferenceLimits:
    """Robust reference limits for few values of a symmetric distribution, with bootstrap intervals.

    Parameters
    ----------
    values : array_like, shape (person,)
        [unit].
    coverage : float
        [-].
    side : str
        ``two``, ``lower`` or ``upper``.
    level : float
        Of the intervals of the limits [-].
    draws : int
        Bootstrap samples; 0 for no intervals.
    seed : int
    logarithm : bool
        Work on the logarithms, for values skewed to the right.
    unit : str

    Returns
    -------
    ReferenceLimits
        From 50 000 values on the intervals come from 100 blocks of the shuffled values instead of a bootstrap.

    Raises
    ------
    InputError
        If there are fewer than three values, they do not spread, or one is not above zero where logarithms are asked.

    Notes
    -----
    Horn PS, Pesce AJ, Copeland BE. Clin Chem 44:622-631 (1998), from memory: median absolute deviation/0.6745, biweight
    location with c = 3.7 iterated, scale with c = 205.6 about the median, Student's t with n - 1.
    """
    given = reference_values(values, level)
    x = np.log(above_zero(given)) if logarithm else given
    location, scale = biweight(x)
    wanted = probabilities(coverage, side)
    ps = tuple(wanted.values())
    numbers = robust_ends(x[None, :], ps)[0]
    rng = np.random.default_rng(seed)
    how, low, high, why = _interval(x, numbers, ps, level, draws, rng)
    if low is not None and high is not None:
        low, high = np.minimum(low, numbers), np.maximum(high, numbers)
    found = {}
    for k, which in enumerate(wanted):
        value, start, end = (
            None if ends is None else float(np.exp(ends[k]) if logarithm else ends[k]) for ends in (numbers, low, high)
        )
        found[which] = Bounded(value, start, end, unit, level, why)
    return ReferenceLimits(
        "robust, logarithms" if logarithm else "robust",
        how,
        int(x.size),
        coverage,
        side,
        found.get("lower"),
        found.get("upper"),
        float(np.median(given)),
        details={"location": location, "scale": scale},
    )


def _interval(
    x: Floats, numbers: Floats, ps: tuple[float, ...], level: float, draws: int, rng: np.random.Generator
) -> tuple[str, Floats | None, Floats | None, str]:
    from scipy import special

    if draws < 1:
        return "none", None, None, "No interval was asked for."
    if x.size >= _BLOCKS_FROM:
        size = x.size // _BLOCKS
        each = robust_ends(rng.permutation(x)[: size * _BLOCKS].reshape(_BLOCKS, size), ps)
        if not np.isfinite(each).all():
            return "blocks", None, None, "Some blocks of the values do not spread: no interval."
        half = float(special.stdtrit(_BLOCKS - 1.0, (1 + level) / 2)) * each.std(axis=0, ddof=1) / math.sqrt(_BLOCKS)
        return f"spread over {_BLOCKS} blocks of the shuffled values", numbers - half, numbers + half, ""
    made = []
    per = max(1, _CELLS // x.size)
    for start in range(0, draws, per):
        many = min(per, draws - start)
        made.append(robust_ends(x[rng.integers(0, x.size, (many, x.size))], ps))
    drawn = np.concatenate(made)
    usable = np.isfinite(drawn).all(axis=1)
    lost = int((~usable).sum())
    if lost > draws // 20:
        return "bootstrap", None, None, f"{lost} of {draws} bootstrap samples do not spread: no interval."
    why = f"{lost} of {draws} bootstrap samples do not spread and were left out." if lost else ""
    ends = np.quantile(drawn[usable], [(1 - level) / 2, (1 + level) / 2], axis=0)
    return f"bootstrap percentiles, {draws} samples", ends[0], ends[1], why


def _many(x: Floats) -> tuple[Floats, Floats]:
    """Location and scale per row; NaN where the median distance is zero."""
    n = x.shape[1]
    median = np.median(x, axis=1)
    distance = np.median(np.abs(x - median[:, None]), axis=1) / _TO_SD
    spreads = distance > 0
    unit = np.where(spreads, distance, 1.0)[:, None]
    # Standardised, so that the stop rule and the sums do not depend on the scale of the data.
    d = (x - median[:, None]) / unit
    place = np.zeros(x.shape[0])
    for _ in range(200):
        w = _weights((d - place[:, None]) / _LOCATION)
        total = w.sum(axis=1)
        fresh = (w * d).sum(axis=1) / np.where(total > 0, total, 1.0)
        moved = float(np.abs(fresh - place).max())
        place = fresh
        if moved < 1e-12:
            break
    wide = _biweight_sd(d / _WIDE, _WIDE) * math.sqrt(n)
    narrow = _biweight_sd(d / _LOCATION, _LOCATION) * math.sqrt(n)
    spreads &= (wide > 0) & (narrow > 0)
    width = _LOCATION * np.where(narrow > 0, narrow, 1.0)
    error = _biweight_sd((d - place[:, None]) / width[:, None], width)
    good = spreads
    with_unit = unit[:, 0]
    location = np.where(good, median + place * with_unit, np.nan)
    scale = np.where(good, np.sqrt(wide**2 + error**2) * with_unit, np.nan)
    return location, scale


def _weights(u: Floats) -> Floats:
    made: Floats = np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0.0)
    return made


def _biweight_sd(u: Floats, width: Floats | float) -> Floats:
    """Root of the biweight midvariance over n, of distances divided by `width`."""
    inside = np.where(np.abs(u) < 1, 1 - u * u, 0.0)
    top = (inside**4 * u * u).sum(axis=1)
    below = np.abs((inside * (1 - 5 * u * u)).sum(axis=1))
    made: Floats = width * np.sqrt(top / (np.maximum(below, 1e-300) * np.maximum(1.0, below - 1)))
    return made
