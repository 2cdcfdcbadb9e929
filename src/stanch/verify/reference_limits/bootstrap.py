"""Reference limits by ranks with bootstrap intervals, drawn without drawing the samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.limits import Floats, ReferenceLimits, Side, probabilities, reference_values
from stanch.verify.reference_limits.ranks import Bounds, quantile_rank

__all__ = ["bootstrap_limits"]


def bootstrap_limits(
    values: ArrayLike,
    *,
    coverage: float = 0.95,
    side: Side = "two",
    level: float = 0.90,
    draws: int = 2000,
    seed: int = 1,
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    unit: str = "",
) -> ReferenceLimits:
    """Reference limits as the mean over bootstrap samples of the quantile of rank p (n + 1), with percentile intervals.

    Parameters
    ----------
    values : array_like, shape (person,)
        One value per reference individual; for a censored one its bound [unit].
    coverage : float
        [-].
    side : str
        ``two``, ``lower`` or ``upper``.
    level : float
        Of the intervals of the limits [-].
    draws : int
        Bootstrap samples.
    seed : int
    below, above : array_like of bool, shape (person,), optional
        Which values are ``<x`` and ``>x``.
    unit : str

    Returns
    -------
    ReferenceLimits
        A limit is missing where a bootstrap sample takes it from a value known only as a bound.

    Raises
    ------
    InputError
        If there are fewer than three values or no draws.

    Notes
    -----
    The k-th smallest of a bootstrap sample is the value at the place where the k-th smallest of n uniform numbers
    falls, so two beta variates stand for a whole sample and the work does not grow with n.
    """
    x = reference_values(values, level)
    if draws < 20:
        raise InputError("bootstrap samples", got=draws, allowed="at least 20")
    ordered = Bounds(x, below, above)
    rng = np.random.default_rng(seed)
    found: dict[str, Bounded] = {}
    for which, p in probabilities(coverage, side).items():
        drawn = _quantiles(ordered, quantile_rank(ordered.n, p), draws, rng)
        if drawn is None:
            found[which] = Bounded.missing("Bootstrap samples reach values known only as bounds.", unit)
            continue
        low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
        value = float(drawn.mean())
        rank = quantile_rank(ordered.n, p)
        why = "" if 1 <= rank <= ordered.n else f"{ordered.n} values are too few for the rank {rank:.3g}."
        found[which] = Bounded(value, float(min(low, value)), float(max(high, value)), unit, level, why)
    return ReferenceLimits(
        "bootstrap",
        f"bootstrap percentiles, {draws} samples",
        ordered.n,
        coverage,
        side,
        found.get("lower"),
        found.get("upper"),
        ordered.between((ordered.n + 1) / 2),
    )


def _quantiles(ordered: Bounds, rank: float, draws: int, rng: np.random.Generator) -> Floats | None:
    n = ordered.n
    held = min(max(rank, 1.0), float(n))
    k = min(int(held), n)
    share = held - k
    first = rng.beta(k, n - k + 1, draws)
    places = [first]
    if share > 0 and k < n:
        places.append(first + (1 - first) * rng.beta(1, n - k, draws))
    picked = []
    for place in places:
        index = np.minimum((place * n).astype(np.intp), n - 1)
        low, high = ordered.low[index], ordered.high[index]
        if (low != high).any():
            return None
        picked.append(low)
    if len(picked) == 1:
        return picked[0]
    made: Floats = picked[0] + share * (picked[1] - picked[0])
    return made
