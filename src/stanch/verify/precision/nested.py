"""Nested designs of any depth: analysis of variance by the method of moments, with REML beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.precision._strata import strata_of
from stanch.verify.precision.components import ERROR, Analysis
from stanch.verify.precision.factors import Nesting, nesting
from stanch.verify.precision.nested_reml import nested_reml

__all__ = ["centred", "degrees_at", "nested_anova", "one_way_from_summaries"]

Floats = NDArray[np.float64]
METHOD = "Sequential (type I) sums of squares equated to their expectations"


def centred(values: ArrayLike, name: str = "results") -> tuple[Floats, float, float]:
    """Deviations from the mean over their largest size, with both.

    Parameters
    ----------
    values : array_like, shape (row,)
        [unit].
    name : str
        For messages.

    Returns
    -------
    deviations : ndarray, shape (row,)
        Between -1 and 1 [-].
    mean : float
        [unit].
    size : float
        Largest deviation, or 1 when all values are equal [unit].

    Notes
    -----
    Squares are formed of these numbers only, so that neither a large constant part nor a unit far from 1 costs digits.
    """
    x = checked(values, name, least=3)
    first = float(x[0])
    with np.errstate(over="ignore", invalid="ignore"):
        rest = x - first
        middle = float(rest.mean())
        deviations = rest - middle
        size = float(np.abs(deviations).max())
    # Rounding of the mean of equal values is not a spread.
    if (x == first).all():
        return np.zeros_like(x), first, 1.0
    if not 1e-70 < size < 1e70:
        raise InputError(
            name,
            got=f"a spread of {size:.3g}",
            allowed="1e-70 to 1e70, since fourth powers are formed",
            do="State the results in another unit.",
        )
    return deviations / size, first + middle, size


def nested_anova(values: ArrayLike, factors: Mapping[str, ArrayLike], *, reml: bool = True) -> Analysis:
    """Variance components of a nested random design, balanced or not.

    Parameters
    ----------
    values : array_like, shape (row,)
        [unit].
    factors : mapping of str to array_like of str, shape (row,)
        Names of the groups by factor, outermost first, such as site, day, run. Replicates need no column.
    reml : bool
        Whether to add the components by residual maximum likelihood.

    Returns
    -------
    Analysis

    Raises
    ------
    InputError
        If the values are not finite, fewer than three, or a factor cannot be told from its neighbour.

    Notes
    -----
    Searle SR, Casella G, McCulloch CE. Variance Components. Wiley (1992), chapters 4 and 5, from memory. The variance
    of the estimates is computed from traces over the tree of groups, in time proportional to their number.

    Examples
    --------
    >>> found = nested_anova([1.0, 2.0, 4.0, 5.0], {"day": ["a", "a", "b", "b"]}, reml=False)
    >>> [round(s.raw, 12) for s in found.strata]
    [4.25, 0.5]
    """
    z, mean, size = centred(values)
    if ERROR in factors:
        raise InputError(f"factor {ERROR}", got="a factor of this name", allowed="any other name")
    tree = nesting(factors, z.size)
    ss, df = _sums_of_squares(z, tree)
    expected = _expectations(tree)
    from_ss = np.asarray(np.linalg.inv(expected), dtype=np.float64)
    raw = from_ss @ ss
    covariance = _covariance(tree, raw)
    names = (*tree.factors, ERROR)
    strata = strata_of(names, df, ss, raw, expected, covariance, from_ss, size)
    found: tuple[float, ...] | None = None
    note = "Not asked for."
    if reml:
        if not ss.any():
            found, note = tuple(0.0 for _ in names), "All results are equal."
        elif ss[-1] <= 1e-28 * ss.sum():
            note = "Replicates agree exactly: the likelihood has no maximum."
        elif tree.balanced and (raw >= 0).all():
            found = tuple(float(v) * size**2 for v in raw)
            note = "Balanced and no component below zero: the same as by the method of moments, in closed form."
        else:
            found = tuple(v * size**2 for v in nested_reml(z, tree, np.maximum(raw, 0.0)))
            note = "Residual likelihood maximised over the tree of groups, in time proportional to their number."
    return Analysis(
        strata=strata,
        mean=mean,
        n=tree.rows,
        groups=tree.groups,
        balanced=tree.balanced,
        covariance=covariance * size**4,
        from_ss=from_ss,
        reml=found,
        reml_note=note,
        method=METHOD,
    )


def one_way_from_summaries(mean: ArrayLike, sd: ArrayLike, n: ArrayLike, *, factor: str = "group") -> Analysis:
    """One random factor from means, standard deviations and counts, where the single results are not at hand.

    Parameters
    ----------
    mean, sd : array_like, shape (group,)
        [unit].
    n : array_like of int, shape (group,)
        Results in each group; one number for all alike.
    factor : str
        Its name.

    Returns
    -------
    Analysis
        Without REML.
    """
    centre, mid, size = centred(mean, "means of groups")
    s = checked(sd, "standard deviations")
    count = np.broadcast_to(np.asarray(n, dtype=np.intp), centre.shape)
    if s.size != centre.size or (s < 0).any():
        raise InputError("standard deviations", got=f"{s.size}, smallest {s.min()}", allowed="one for each mean, >= 0")
    if (count < 1).any() or (count == 1).all():
        raise InputError("counts", got=int(count.min()), allowed="1 or more, not all 1")
    tree = nesting({factor: np.repeat(np.arange(centre.size), count)}, int(count.sum()))
    middle = float(np.sum(count * centre) / count.sum())
    unit = s / size
    ss = np.array([np.sum(count * (centre - middle) ** 2), np.sum((count - 1) * unit**2)])
    df = np.array([centre.size - 1, count.sum() - centre.size])
    expected = _expectations(tree)
    from_ss = np.asarray(np.linalg.inv(expected), dtype=np.float64)
    raw = from_ss @ ss
    covariance = _covariance(tree, raw)
    strata = strata_of((factor, ERROR), df, ss, raw, expected, covariance, from_ss, size)
    return Analysis(
        strata=strata,
        mean=mid + middle * size,
        n=tree.rows,
        groups=tree.groups,
        balanced=tree.balanced,
        covariance=covariance * size**4,
        from_ss=from_ss,
        reml=None,
        reml_note="Not computed from summaries.",
        method=METHOD,
    )


def degrees_at(factors: Mapping[str, ArrayLike], components: ArrayLike, parts: Sequence[str] | None = None) -> float:
    """Degrees of freedom that a nested design gives a sum of components, for stated true components.

    Parameters
    ----------
    factors : mapping of str to array_like of str, shape (row,)
        Outermost first, at least one.
    components : array_like, shape (component,)
        Outermost first, error last; any common unit [-].
    parts : sequence of str, optional
        Components in the sum; all when not given.

    Returns
    -------
    float
        [-]; 2 T^2 / Var(T), needs no results, so it also serves to plan.
    """
    rows = np.asarray(next(iter(factors.values()))).size
    tree = nesting(factors, rows)
    names = (*tree.factors, ERROR)
    sizes = checked(components, "components")
    if sizes.size != len(names) or (sizes < 0).any() or not (sizes > 0).any():
        raise InputError("components", got=sizes.tolist(), allowed=f"{len(names)} numbers, none below zero, one above")
    weight = np.array([1.0 if parts is None or name in parts else 0.0 for name in names])
    by_ss = weight @ np.linalg.inv(_expectations(tree))
    total = float(weight @ sizes)
    return float(2 * total**2 / (by_ss @ _covariance(tree, sizes) @ by_ss))


def _sums_of_squares(z: Floats, tree: Nesting) -> tuple[Floats, NDArray[np.intp]]:
    """Sums of squares from each group's mean about that of the group around it, error last."""
    sums = tree.cell_sums(z)
    cell_mean = sums / tree.counts[-1]
    within = z[tree.order] - np.repeat(cell_mean, tree.counts[-1])
    means = [tree.sums(sums, level) / tree.counts[level] for level in range(len(tree.counts))]
    ss = [
        float(np.sum(tree.counts[k] * (means[k] - means[k - 1][tree.parents[k - 1]]) ** 2))
        for k in range(1, len(tree.counts))
    ]
    ss.append(float(np.sum(within**2)))
    sizes = np.array([*(c.size for c in tree.counts), tree.rows])
    return np.array(ss), np.diff(sizes)


def _weights(tree: Nesting) -> list[list[Floats]]:
    """By projector level i and component level k: the weight of each cell in the row of (projector times component).

    Level 0 is the grand mean, the last level the single result.
    """
    last = len(tree.counts)
    per_cell = [tree.counts[k][tree.cell_group[k]].astype(np.float64) for k in range(last)]
    per_cell.append(np.ones(tree.first_row.size))
    ones = np.ones(tree.first_row.size)
    return [
        [per_cell[k] / per_cell[i] if k > i else ones for k in range(1, last + 1)]  # components start at level 1
        for i in range(last + 1)
    ]


def _expectations(tree: Nesting) -> Floats:
    """Expected sums of squares: coefficient of each component, by stratum."""
    n = tree.counts[-1].astype(np.float64)
    traces = np.array([[float(np.sum(n * w)) for w in row] for row in _weights(tree)])
    return np.asarray(np.diff(traces, axis=0), dtype=np.float64)


def _covariance(tree: Nesting, components: Floats) -> Floats:
    """Covariance of the sums of squares of normal data with these components.

    Both a group-mean projector and a component's covariance matrix are constant within groups, so their product is a
    weight per cell inside the groups of one level, and the trace of two such products is a sum over groups.
    """
    last = len(tree.counts)
    n = tree.counts[-1].astype(np.float64)
    weights = _weights(tree)
    known: dict[tuple[int, int, int], Floats] = {}

    def sums(i: int, k: int, level: int) -> Floats:
        if (i, k, level) not in known:
            known[i, k, level] = tree.sums(n * weights[i][k - 1], level)
        return known[i, k, level]

    def trace(i: int, k: int, j: int, m: int) -> float:
        level = max(min(i, k), min(j, m))
        if level == last:
            return float(np.sum(n * weights[i][k - 1] * weights[j][m - 1]))
        return float(np.dot(sums(i, k, level), sums(j, m, level)))

    q = np.zeros((last + 1, last + 1))
    for i in range(last + 1):
        for j in range(i, last + 1):
            q[i, j] = q[j, i] = 2 * sum(
                components[k - 1] * components[m - 1] * trace(i, k, j, m)
                for k in range(1, last + 1)
                for m in range(1, last + 1)
            )
    # Differences of successive projectors, along both sides.
    return np.asarray(np.diff(np.diff(q, axis=0), axis=1), dtype=np.float64)
