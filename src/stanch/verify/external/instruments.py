"""Instruments (or laboratories) against each other on the same samples."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import Equivalence, paired
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded
from stanch.verify.scales import grouped

__all__ = ["Instruments", "Pair", "compare_instruments"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Pair:
    """Two instruments.

    Parameters
    ----------
    one, two : str
    result : Equivalence or None
        Mean of `two` less `one` on the samples that both measured [unit]; None below two samples.
    samples : int
    """

    one: str
    two: str
    result: Equivalence | None
    samples: int


@dataclass(frozen=True)
class Instruments:
    """A comparison of several instruments.

    Parameters
    ----------
    names : tuple of str
    samples, complete : int
        Samples, and those measured on every instrument.
    bias : tuple of Bounded
        Each instrument less the mean of all, on the complete samples [unit].
    between_raw, between, within : float or None
        Variance between instruments as found, standard deviation after clipping at zero, and standard deviation of
        one result about its sample and instrument [unit^2], [unit], [unit]; null without two complete samples.
    f, p : float or None
        F test of no difference between instruments [-].
    table : ndarray, shape (instrument, sample)
        Mean result of each, NaN where missing [unit].
    pairs : tuple of Pair
    """

    names: tuple[str, ...]
    samples: int
    complete: int
    bias: tuple[Bounded, ...]
    between_raw: float | None
    between: float | None
    within: float | None
    f: float | None
    p: float | None
    table: Floats
    pairs: tuple[Pair, ...]


def compare_instruments(
    x: ArrayLike,
    instrument: ArrayLike,
    sample: ArrayLike,
    *,
    allowed: float | None = None,
    alpha: float = 0.05,
    unit: str = "",
    most_pairs: int = 800,
) -> Instruments:
    """Differences between instruments that measured the same samples.

    Parameters
    ----------
    x : array_like, shape (result,)
        [unit].
    instrument, sample : array_like of str, shape (result,)
        Repeated results of a sample on an instrument are averaged first.
    allowed : float, optional
        Largest mean difference allowed between two instruments, either way [unit].
    alpha : float
        Of each one-sided test [-].
    unit : str
    most_pairs : int
        Pairs are left out where there would be more.

    Returns
    -------
    Instruments

    Notes
    -----
    Two-way table of instruments by samples without interaction, instruments random: the variance between instruments
    is (mean square of instruments less that of the rest) over the number of complete samples, raw and clipped.
    """
    values = checked(x, "results", least=2)
    names, row = grouped(instrument)
    samples, column = grouped(sample)
    if row.size != values.size or column.size != values.size:
        raise InputError("results", got=(row.size, column.size), allowed=f"a name for each of {values.size} results")
    if names.size < 2:
        raise InputError("instruments", got=names.size, allowed="at least 2")
    shape = (names.size, samples.size)
    if names.size * samples.size > 50_000_000:
        raise InputError("instruments by samples", got=shape, allowed="a table of at most 5e7 cells")
    cell = row * samples.size + column
    count = np.bincount(cell, minlength=shape[0] * shape[1])
    total = np.bincount(cell, values, minlength=count.size)
    table = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(shape)
    whole = table[:, ~np.isnan(table).any(axis=0)]
    bias, between_raw, between, within, f, p = _two_way(whole, unit)
    n = names.size
    pairs: list[Pair] = []
    if n * (n - 1) // 2 <= most_pairs:
        edge = None if allowed is None else abs(allowed)
        for i in range(n):
            for j in range(i + 1, n):
                both = ~(np.isnan(table[i]) | np.isnan(table[j]))
                made = None
                if both.sum() >= 2:
                    lower = None if edge is None else -edge
                    made = paired(table[i, both], table[j, both], lower=lower, upper=edge, alpha=alpha, unit=unit)
                pairs.append(Pair(str(names[i]), str(names[j]), made, int(both.sum())))
    return Instruments(
        tuple(str(v) for v in names),
        int(samples.size),
        int(whole.shape[1]),
        bias,
        between_raw,
        between,
        within,
        f,
        p,
        table,
        tuple(pairs),
    )


def _two_way(
    whole: Floats, unit: str
) -> tuple[tuple[Bounded, ...], float | None, float | None, float | None, float | None, float | None]:
    from scipy import special

    k, m = whole.shape
    why = f"{m} samples were measured on every instrument; two are needed."
    if m < 2:
        return tuple(Bounded.missing(why, unit) for _ in range(k)), None, None, None, None, None
    d = whole - whole.mean(axis=0)
    means = d.mean(axis=1)
    df = (k - 1) * (m - 1)
    rest = float(((d - means[:, None]) ** 2).sum()) / df
    of_instruments = m * float((means**2).sum()) / (k - 1)
    raw = (of_instruments - rest) / m
    half = float(special.stdtrit(df, 0.975)) * math.sqrt(rest * (k - 1) / k / m)
    bias = tuple(Bounded(float(v), float(v) - half, float(v) + half, unit) for v in means)
    f = of_instruments / rest if rest > 0 else None
    p = None if f is None else float(special.fdtrc(k - 1, df, f))
    return bias, raw, math.sqrt(max(0.0, raw)), math.sqrt(rest), f, p
