"""Carry-over from one sample into the next: high and low samples in a stated order, or samples in random order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.equivalence import outcome
from stanch.verify.groups import places
from stanch.verify.intervals import checked, mean_interval
from stanch.verify.records import Bounded, Outcome

__all__ = ["CarryOver", "carry_over_regression", "carry_over_sequences"]

Floats = NDArray[np.float64]

ROUNDS = 200
"""Rounds of the alternating fit allowed [-]."""

DIRECT = 2000
"""Samples up to which their values are solved for directly [-]."""


@dataclass(frozen=True)
class CarryOver:
    """Share of the previous sample found in the next result.

    Parameters
    ----------
    share : Bounded
        Carry-over with its interval [-].
    rise : Bounded
        Mean of first minus last low result, or the effect of going from the lowest to the highest sample [unit].
    high_share : Bounded
        The same share seen on high samples after low ones [-]; missing where the design does not show it.
    each : tuple of float
        Share of every sequence [-]; empty for a regression.
    n : int
        Sequences, or results used in the regression.
    outcome : str
    """

    share: Bounded
    rise: Bounded
    high_share: Bounded
    each: tuple[float, ...]
    n: int
    outcome: Outcome


def carry_over_sequences(
    high: ArrayLike, low: ArrayLike, *, allowed: float | None = None, alpha: float = 0.05, unit: str = ""
) -> CarryOver:
    """Carry-over from sequences of high results followed by low ones.

    Parameters
    ----------
    high, low : array_like, shape (sequence, place)
        Results in the order of measurement, at least two of each kind in every sequence [unit].
    allowed : float, optional
        Largest share [-].
    alpha : float
        Of the one-sided test; the interval has level 1 - 2 alpha [-].
    unit : str

    Returns
    -------
    CarryOver

    Raises
    ------
    InputError
        If a sequence is too short or its high results are not above its low ones.

    Notes
    -----
    Share = (L1 - Ln)/(Hn - Ln) of each sequence: Broughton PMG et al. Ann Clin Biochem 11:207-218 (1974), from
    memory. The last low result stands for the undisturbed sample; it still holds share^n of the high one.
    """
    h, one = np.asarray(high, dtype=np.float64), np.asarray(low, dtype=np.float64)
    for name, table in (("high results", h), ("low results", one)):
        if table.ndim != 2 or table.shape[1] < 2 or table.shape[0] != h.shape[0] or not np.isfinite(table).all():
            raise InputError(name, got=table.shape, allowed="finite numbers, two or more in every sequence")
    step = h[:, -1] - one[:, -1]
    if (step <= 0).any():
        raise InputError(
            "sequences",
            got=f"{int((step <= 0).sum())} sequences whose last high result is not above the last low one",
            allowed="high samples that read higher than low ones",
        )
    each = (one[:, 0] - one[:, -1]) / step
    level = 1 - 2 * alpha
    share = mean_interval(each, level=level, unit="1")
    # A high sample first in its sequence follows the low ones of the sequence before.
    back = (h[1:, -1] - h[1:, 0]) / (h[1:, -1] - one[:-1, -1])
    back = back[np.isfinite(back)]
    upward = (
        mean_interval(back, level=level, unit="1")
        if back.size
        else Bounded.missing("One sequence alone has no high result after a low one.", "1")
    )
    rise = mean_interval(one[:, 0] - one[:, -1], level=level, unit=unit)
    edge = None if allowed is None else abs(allowed)
    result = outcome(share, None if edge is None else -edge, edge)
    return CarryOver(share, rise, upward, tuple(each.tolist()), int(h.shape[0]), result)


def carry_over_regression(
    result: ArrayLike,
    sample: ArrayLike,
    *,
    series: ArrayLike | None = None,
    allowed: float | None = None,
    alpha: float = 0.05,
    unit: str = "",
) -> CarryOver:
    """Carry-over from samples measured several times in random order.

    Parameters
    ----------
    result : array_like, shape (n,)
        In the order of measurement [unit].
    sample : array_like of str, shape (n,)
        Names.
    series : array_like of str, shape (n,), optional
        Names of runs; the first result of a run has no predecessor.
    allowed : float, optional
        Largest share [-].
    alpha : float
        [-].
    unit : str

    Returns
    -------
    CarryOver

    Raises
    ------
    InputError
        If there are too few results or predecessors do not differ.

    Notes
    -----
    result = (1 - c) own + c previous + error, with own and previous the undisturbed values of the samples, fitted by
    least squares over c and all values, alternating until c is still; the interval follows from the linearised fit.
    """
    from scipy import special

    y = checked(result, "results", least=4)
    names, group = np.unique(np.asarray(sample), return_inverse=True)
    group = group.reshape(-1)
    runs = places(series, y.size)
    if group.size != y.size or runs.size != y.size:
        raise InputError("samples", got=f"{group.size} names", allowed=f"one for each of {y.size} results")
    has = np.r_[False, runs[1:] == runs[:-1]]
    before = np.r_[0, group[:-1]]
    moved = has & (before != group)
    count = names.size
    df = y.size - count - 1
    if count < 2 or df < 2 or int(moved.sum()) < 3:
        raise InputError(
            "results in random order",
            got=f"{y.size} results of {count} samples, {int(moved.sum())} after another sample",
            allowed="several results of each of two or more samples, in mixed order",
        )
    middle, size = float(y.mean()), float(np.abs(y - y.mean()).max())
    if np.ptp(y) == 0:
        raise InputError("results", got="the same number throughout", allowed="samples that differ")
    z = (y - middle) / size
    _differ(z, group, count)
    own, c = np.bincount(group, z) / np.bincount(group), 0.0
    for _ in range(ROUNDS):
        step = np.where(has, own[before] - own[group], 0.0)
        new = float(step @ (z - own[group])) / float(step @ step)
        own = _values(z, group, before, has, new, own)
        if abs(new - c) < 1e-13:
            c = new
            break
        c = new
    step = np.where(has, own[before] - own[group], 0.0)
    residual = z - own[group] - c * step
    variance = float(residual @ residual) / df
    free = float(step @ _taken_out(step, group, before, has, c, count))
    if not free > 1e-12 * float(step @ step):
        raise InputError("order of samples", got="each sample always after the same one", allowed="mixed order")
    half = float(special.stdtrit(df, 1 - alpha)) * (variance / free) ** 0.5
    share = Bounded(c, c - half, c + half, "1", 1 - 2 * alpha)
    reach = float(own.max() - own.min()) * size
    rise = Bounded(c * reach, (c - half) * reach, (c + half) * reach, unit, 1 - 2 * alpha)
    edge = None if allowed is None else abs(allowed)
    verdict = outcome(share, None if edge is None else -edge, edge)
    none = Bounded.missing("A regression takes both directions together.", "1")
    return CarryOver(share, rise, none, (), int(y.size), verdict)


def _differ(z: Floats, group: NDArray[np.intp], count: int) -> None:
    """Refuse samples too much alike to show carry-over: its share would be a ratio of two noises."""
    from scipy import special

    number = np.bincount(group)
    mean = np.bincount(group, z) / number
    within = float(((z - mean[group]) ** 2).sum())
    between = float((number * (mean - z.mean()) ** 2).sum())
    free = z.size - count
    if within > 0 and special.fdtrc(count - 1, free, between / (count - 1) / (within / free)) > 1e-4:
        raise InputError(
            "samples", got="samples that hardly differ", allowed="low and high samples", do="Spread them further."
        )


def _values(
    z: Floats, group: NDArray[np.intp], before: NDArray[np.intp], has: NDArray[np.bool_], c: float, own: Floats
) -> Floats:
    """Undisturbed values for a given share."""
    design = _design(group, before, has, c, own.size)
    return _solved(design, design.T @ z)


def _solved(design: Any, side: Floats) -> Floats:
    from scipy import sparse
    from scipy.sparse.linalg import cg, splu

    gram = sparse.csc_matrix(design.T @ design)
    if side.size <= DIRECT:
        return np.asarray(splu(gram).solve(side), dtype=np.float64)
    # Filling in would cost memory; the matrix is nearly diagonal, so the iteration is short.
    solved, failed = cg(gram, side, rtol=1e-13, maxiter=5000, M=sparse.diags(1.0 / gram.diagonal()))
    if failed:
        raise InputError("order of samples", got="values that cannot be told apart", allowed="mixed order")
    return np.asarray(solved, dtype=np.float64)


def _design(group: NDArray[np.intp], before: NDArray[np.intp], has: NDArray[np.bool_], c: float, count: int) -> Any:
    from scipy import sparse

    row = np.arange(group.size)
    weight = np.where(has, 1.0 - c, 1.0)
    cells = np.r_[weight, np.full(int(has.sum()), c)]
    return sparse.csr_matrix((cells, (np.r_[row, row[has]], np.r_[group, before[has]])), shape=(group.size, count))


def _taken_out(
    step: Floats, group: NDArray[np.intp], before: NDArray[np.intp], has: NDArray[np.bool_], c: float, count: int
) -> Floats:
    """What is left of the steps once the values of the samples are free."""
    design = _design(group, before, has, c, count)
    return np.asarray(step - design @ _solved(design, design.T @ step), dtype=np.float64)
