"""Areas against each other: several readings of the same people, or one reading in separate groups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.discrimination.area import Area, placements
from stanch.verify.discrimination.marks import Floats, Marks
from stanch.verify.records import Bounded

__all__ = ["AreaContrasts", "AreaDifference", "compare_areas", "compare_paired_areas"]


@dataclass(frozen=True)
class AreaDifference:
    """One difference of two areas.

    Parameters
    ----------
    difference : Bounded
        [-].
    se : float
        [-].
    z, p : float or None
        Against no difference [-]; null when the standard error is zero.
    """

    difference: Bounded
    se: float
    z: float | None
    p: float | None


@dataclass(frozen=True)
class AreaContrasts:
    """Several areas of the same people, their covariance, and contrasts among them.

    Parameters
    ----------
    areas : ndarray, shape (reading,)
        [-].
    covariance : ndarray, shape (reading, reading)
        DeLong's [-].
    contrasts : tuple of AreaDifference
        One per row of `weights`.
    weights : ndarray, shape (contrast, reading)
        [-].
    chi2, p : float or None
        All contrasts together [-]; null when none of them varies.
    df : int
        Independent contrasts.
    """

    areas: Floats
    covariance: Floats
    contrasts: tuple[AreaDifference, ...]
    weights: Floats
    chi2: float | None
    df: int
    p: float | None


def compare_paired_areas(
    readings: Sequence[Marks], *, weights: ArrayLike | None = None, level: float = 0.95
) -> AreaContrasts:
    """Compare areas of several readings of the same people.

    Parameters
    ----------
    readings : sequence of Marks
        Each of the same people in the same order.
    weights : array_like, shape (contrast, reading), optional
        Each row sums to zero; the first reading minus each other one without it [-].
    level : float
        Of the intervals [-].

    Returns
    -------
    AreaContrasts

    Raises
    ------
    InputError
        If there are fewer than two readings, group sizes differ, or a group has a single member.

    Notes
    -----
    DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 44:837-845 (1988), from memory.
    """
    from scipy import special

    sizes = {(r.positive.size, r.negative.size) for r in readings}
    if len(readings) < 2 or len(sizes) != 1:
        raise InputError("readings to compare", got=f"{len(readings)} of sizes {sizes}", allowed="two or more, paired")
    m, n = sizes.pop()
    if min(m, n) < 2:
        raise InputError("readings to compare", got=f"groups of {m} and {n}", allowed="at least two in each group")
    v10, v01 = (np.stack(v) for v in zip(*(placements(r) for r in readings)))
    areas = v10.mean(axis=1)
    covariance = np.atleast_2d(np.cov(v10)) / m + np.atleast_2d(np.cov(v01)) / n
    rows = _rows(weights, len(readings))
    gaps = rows @ areas
    spread = rows @ covariance @ rows.T
    found = tuple(_difference(float(g), math.sqrt(max(float(v), 0.0)), level) for g, v in zip(gaps, np.diag(spread)))
    largest = float(np.abs(spread).max())
    df = int(np.linalg.matrix_rank(spread, tol=largest * 1e-10)) if largest > 1e-30 else 0
    chi2 = None if df == 0 else float(gaps @ np.linalg.pinv(spread, rcond=1e-10, hermitian=True) @ gaps)
    p = None if chi2 is None else float(special.chdtrc(df, chi2))
    return AreaContrasts(areas, covariance, found, rows, chi2, df, p)


def compare_areas(one: Area, two: Area, *, level: float = 0.95) -> AreaDifference:
    """Compare the areas of two independent sets of people, the first minus the second.

    Parameters
    ----------
    one, two : Area
    level : float
        Of the interval [-].

    Returns
    -------
    AreaDifference

    Raises
    ------
    InputError
        If an area has no standard error.
    """
    if one.se is None or two.se is None:
        raise InputError("areas to compare", got="a group with a single member", allowed="at least two in each group")
    a, b = one.area.value, two.area.value
    assert a is not None
    assert b is not None
    return _difference(a - b, math.hypot(one.se, two.se), level)


def _rows(weights: ArrayLike | None, readings: int) -> Floats:
    if weights is None:
        made: Floats = np.hstack([np.ones((readings - 1, 1)), -np.eye(readings - 1)])
        return made
    rows = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    if rows.shape[1] != readings or not np.isfinite(rows).all() or np.abs(rows.sum(axis=1)).max() > 1e-9:
        raise InputError("weights", got=f"shape {rows.shape}", allowed=f"{readings} columns, every row summing to zero")
    return rows


def _difference(value: float, se: float, level: float) -> AreaDifference:
    from scipy import special

    if se < 1e-15:
        return AreaDifference(
            Bounded(value, unit="1", level=level, why="The DeLong variance of this difference is zero: no interval."),
            se,
            None,
            None,
        )
    half, z = float(special.ndtri((1 + level) / 2)) * se, value / se
    return AreaDifference(
        Bounded(value, value - half, value + half, "1", level), se, z, float(2 * special.ndtr(-abs(z)))
    )
