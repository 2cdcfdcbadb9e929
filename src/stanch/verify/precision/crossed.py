"""Two crossed random factors with interaction: analysis of variance, balanced or not, with REML beside it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.precision._strata import strata_of
from stanch.verify.precision.components import ERROR, Analysis
from stanch.verify.precision.crossed_reml import LARGEST, crossed_reml
from stanch.verify.precision.crossed_traces import covariance_of_squares
from stanch.verify.precision.factors import Cells, crossing
from stanch.verify.precision.nested import centred

__all__ = ["crossed_anova"]

Floats = NDArray[np.float64]


def crossed_anova(values: ArrayLike, factors: Mapping[str, ArrayLike], *, reml: bool = True) -> Analysis:
    """Variance components of two crossed random factors with their interaction.

    Parameters
    ----------
    values : array_like, shape (row,)
        [unit].
    factors : mapping of str to array_like of str, shape (row,)
        Two, such as sample and operator.
    reml : bool
        Whether to add the components by residual maximum likelihood.

    Returns
    -------
    Analysis
        Components of the first factor, the second, ``first × second`` and the error. Without repeated results in any
        combination the interaction is part of the error and has no row.

    Raises
    ------
    InputError
        If there are not two factors, one of them has a single group, they are not crossed, or too few combinations
        hold results.

    Notes
    -----
    Henderson's method 1 (Biometrics 9:226-252 (1953), from memory): uncorrected sums of squares of group means,
    equated to their expectations. It does not depend on the order of the factors, gives the analysis of variance in
    balanced designs, and takes time proportional to the number of combinations.
    """
    z, mean, size = centred(values)
    cells = crossing(factors, z.size)
    interaction = bool((cells.n > 1).any())
    names: tuple[str, ...] = (*cells.factors, f"{cells.factors[0]} × {cells.factors[1]}", ERROR)
    if ERROR in cells.factors:
        raise InputError(f"factor {ERROR}", got="a factor of this name", allowed="any other name")
    sums = cells.cell_sums(z)
    cell_mean = sums / cells.n
    within = float(np.sum((z[cells.order] - np.repeat(cell_mean, cells.n)) ** 2))
    ss, df, expected = _squares(sums, cell_mean, within, cells)
    full_df = df
    if not interaction:
        names = (*cells.factors, ERROR)
        ss, df, expected = ss[:3], df[:3], expected[:3][:, [0, 1, 3]]
    if (df < 1).any():
        raise InputError(
            f"factors {cells.factors[0]} and {cells.factors[1]}",
            got=f"{cells.n.size} combinations with results",
            allowed=f"at least {cells.n_a.size + cells.n_b.size}, or a fuller cross",
            do="Add combinations or use a nested design.",
        )
    from_ss = np.asarray(np.linalg.inv(expected), dtype=np.float64)
    raw = from_ss @ ss
    if interaction:
        covariance = covariance_of_squares(cells, raw, int(full_df[3]))
    else:
        covariance = covariance_of_squares(cells, np.array([raw[0], raw[1], 0.0, raw[2]]), 0)[:3, :3]
    found, note = (
        _reml(z, cells, ss, df, expected, raw, cell_mean, within, interaction) if reml else (None, "Not asked for.")
    )
    strata = strata_of(names, df, ss, raw, expected, covariance, from_ss, size)
    return Analysis(
        strata=strata,
        mean=mean,
        n=cells.rows,
        groups=(int(cells.n_a.size), int(cells.n_b.size)),
        balanced=cells.balanced,
        covariance=covariance * size**4,
        from_ss=from_ss,
        reml=None if found is None else tuple(float(v) * size**2 for v in found),
        reml_note=note,
        method="Henderson's method 1: sums of squares of group means equated to their expectations"
        + ("" if interaction else "; no combination is repeated, so the interaction is part of the error"),
    )


def _squares(sums: Floats, cell_mean: Floats, within: float, cells: Cells) -> tuple[Floats, NDArray[np.intp], Floats]:
    """Sums of squares about the mean (already zero), degrees of freedom, and expectations by component."""
    n = cells.n.astype(np.float64)
    n_a, n_b, rows = cells.n_a.astype(np.float64), cells.n_b.astype(np.float64), float(cells.rows)
    mean_a = np.bincount(cells.a, sums, n_a.size) / n_a
    mean_b = np.bincount(cells.b, sums, n_b.size) / n_b
    t_a, t_b, t_ab = float(n_a @ mean_a**2), float(n_b @ mean_b**2), float(n @ cell_mean**2)
    if cells.balanced:
        # Residuals instead of a difference of sums, for digits.
        ss_ab = float(n @ (cell_mean - mean_a[cells.a] - mean_b[cells.b]) ** 2)
    else:
        ss_ab = t_ab - t_a - t_b
    # Traces of (group-mean projector times component): rows mean, a, b, ab, single result.
    square = n * n
    k_a, k_b, k_ab = float(n_a @ n_a) / rows, float(n_b @ n_b) / rows, float(square.sum()) / rows
    by_a, by_b = float(np.sum(square / n_a[cells.a])), float(np.sum(square / n_b[cells.b]))
    traces = np.array(
        [
            [k_a, k_b, k_ab, 1.0],
            [rows, by_a, by_a, n_a.size],
            [by_b, rows, by_b, n_b.size],
            [rows, rows, rows, n.size],
            [rows, rows, rows, rows],
        ]
    )
    mean, a, b, ab, single = traces
    expected = np.array([a - mean, b - mean, ab - a - b + mean, single - ab])
    df = np.array([n_a.size - 1, n_b.size - 1, n.size - n_a.size - n_b.size + 1, cells.rows - n.size])
    return np.array([t_a, t_b, ss_ab, within]), df, expected


def _reml(
    z: Floats,
    cells: Cells,
    ss: Floats,
    df: NDArray[np.intp],
    expected: Floats,
    raw: Floats,
    cell_mean: Floats,
    within: float,
    interaction: bool,
) -> tuple[tuple[float, ...] | None, str]:
    if not z.any():
        return tuple(0.0 for _ in raw), "All results are equal."
    if ss[-1] <= 1e-28 * float(np.abs(ss).sum()):
        return None, "Replicates agree exactly: the likelihood has no maximum."
    if cells.balanced and (raw >= 0).all():
        return tuple(float(v) for v in raw), (
            "Balanced and no component below zero: the same as by the method of moments, in closed form."
        )
    smaller = min(cells.n_a.size, cells.n_b.size)
    if smaller > LARGEST and not cells.balanced:
        return None, (
            f"Left out: the likelihood is solved densely in the smaller factor, and {smaller} groups exceed {LARGEST}."
        )
    if cells.balanced:
        return balanced_reml(ss, df, expected, raw)
    found = crossed_reml(cells, cell_mean, within, np.maximum(raw, 0.0), interaction)
    return found, "Residual likelihood maximised, the larger factor eliminated and the smaller one solved densely."


def balanced_reml(
    ss: Floats, df: NDArray[np.intp], expected: Floats, raw: Floats
) -> tuple[tuple[float, ...] | None, str]:
    """Balanced designs with a component below zero: the likelihood of the mean squares, components bounded at zero.

    Parameters
    ----------
    ss : ndarray, shape (stratum,)
        Sums of squares [unit] squared.
    df : ndarray of int, shape (stratum,)
        Degrees of freedom [-].
    expected : ndarray, shape (stratum, component)
        Coefficients of the components in the expected sums of squares [-].
    raw : ndarray, shape (component,)
        Components by the method of moments [unit] squared.

    Returns
    -------
    components : tuple of float or None
        [unit] squared.
    note : str

    Notes
    -----
    The sums of squares are independent multiples of chi-square, so for every set of components held at zero the
    strata that then share an expectation pool; the best set is found by trying all of them.
    """
    from itertools import product

    from scipy import optimize

    degrees = df.astype(np.float64)
    by_mean_square = expected / degrees[:, None]

    def deviance(theta: Floats) -> tuple[float, Floats]:
        level = by_mean_square @ theta
        return float(np.sum(degrees * np.log(level) + ss / level)), by_mean_square.T @ (degrees / level - ss / level**2)

    best: tuple[float, Floats] | None = None
    unit = float(ss.sum() / degrees.sum())
    for held in product((False, True), repeat=raw.size - 1):
        free = np.array([not h for h in held] + [True])
        start = np.where(free, np.maximum(raw, 1e-3 * unit), 0.0)

        def in_logs(logs: Floats, free: NDArray[np.bool_] = free) -> tuple[float, Floats]:
            theta = np.zeros(free.size)
            theta[free] = unit * np.exp(logs)
            value, slope = deviance(theta)
            return value, slope[free] * theta[free]

        found = optimize.minimize(
            in_logs,
            np.log(start[free] / unit),
            jac=True,
            method="L-BFGS-B",
            bounds=[(-30.0, 15.0)] * int(free.sum()),
            options={"ftol": 1e-15, "gtol": 1e-9},
        )
        if best is None or found.fun < best[0] - 1e-9:
            theta = np.zeros(free.size)
            theta[free] = unit * np.exp(found.x)
            best = float(found.fun), theta
    assert best is not None
    theta = np.where(best[1] < 1e-9 * best[1].sum(), 0.0, best[1])
    return tuple(float(v) for v in theta), "Balanced: likelihood of the mean squares, components bounded at zero."
