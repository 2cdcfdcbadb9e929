"""Limits of agreement when samples or subjects were read more than once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.agreement.differences import Differences, multiplier_checked
from stanch.verify.agreement.lines import level_checked, paired_values
from stanch.verify.intervals import checked, sd_interval
from stanch.verify.records import Bounded

__all__ = ["RepeatedDifferences", "limits_with_repeats"]

Floats = NDArray[np.float64]
Truth = Literal["constant", "varying"]


@dataclass(frozen=True)
class RepeatedDifferences:
    """Limits of agreement with the variance of a single difference put together from repeated readings.

    Parameters
    ----------
    limits : Differences
        For the difference of single readings.
    truth : str
        ``constant`` or ``varying`` within a subject.
    readings : tuple of int
        Readings of x and of y.
    variance_of_means : float
        Of the subjects' mean differences squared [unit].
    within_x, within_y : float or None
        Variance within subjects of each method; null when the truth varies squared [unit].
    within : float or None
        Variance of the differences within subjects; null when the truth is constant squared [unit].
    between_raw : float or None
        Variance of the differences between subjects as estimated, which may be negative; it counts as zero in the total
        then squared [unit].
    naive_sd : float
        Standard deviation of the subjects' mean differences, which is too small for single readings [unit].
    means : ndarray, shape (subject,)
        Mean of both methods by subject [unit].
    differences : ndarray, shape (subject,)
        Mean y - mean x by subject [unit].
    """

    limits: Differences
    truth: Truth
    readings: tuple[int, int]
    variance_of_means: float
    within_x: float | None
    within_y: float | None
    within: float | None
    between_raw: float | None
    naive_sd: float
    means: Floats
    differences: Floats


@dataclass(frozen=True)
class _Part:
    """One term of a total variance: factor times mean square with its degrees of freedom."""

    factor: float
    square: float
    df: float


def limits_with_repeats(
    subject_x: ArrayLike,
    x: ArrayLike,
    subject_y: ArrayLike,
    y: ArrayLike,
    *,
    truth: Truth = "constant",
    multiplier: float = 1.96,
    level: float = 0.95,
    unit: str = "",
) -> RepeatedDifferences:
    """Bias and limits of agreement of single readings from repeated ones, unequal numbers allowed.

    Parameters
    ----------
    subject_x, subject_y : array_like of str, shape (reading,)
        Which subject each reading of x and of y belongs to.
    x, y : array_like, shape (reading,)
        [unit].
    truth : str
        ``constant``: readings repeat the same true value and are not paired; ``varying``: reading i of x was taken
        together with reading i of y, and the subject may change between pairs.
    multiplier : float
        Standard deviations on either side [-].
    level : float
        [-].
    unit : str

    Returns
    -------
    RepeatedDifferences

    Raises
    ------
    InputError
        If fewer than three subjects have both methods, no subject was read twice, or pairs do not match.

    Notes
    -----
    Constant truth: variance of a single difference = variance of the subjects' mean differences + (1 - mean of 1/m_x)
    within-x variance + (1 - mean of 1/m_y) within-y variance (Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160,
    section 5, from memory). Varying truth: one-way analysis of variance of the paired differences, total = between +
    within (Bland JM, Altman DG. J Biopharm Stat 2007;17:571-582, from memory). The bias is the mean over subjects, each
    counted once. Intervals of the limits by recovery of variance estimates (Zou GY. Stat Methods Med Res
    2013;22:630-642, from memory).
    """
    level_checked(level)
    multiplier_checked(multiplier)
    names_x, names_y = np.asarray(subject_x).astype(np.str_), np.asarray(subject_y).astype(np.str_)
    if truth == "varying":
        xs, ys = paired_values(x, y, least=4)
        if names_x.shape != xs.shape or not np.array_equal(names_x, names_y):
            raise InputError("subjects", got="other subjects for x than for y", allowed="pairs of the same subject")
    else:
        xs, ys = checked(x, "results of x", least=3), checked(y, "results of y", least=3)
    if names_x.shape != xs.shape or names_y.shape != ys.shape:
        raise InputError("subjects", got="another number than results", allowed="one subject per reading")
    subjects = np.intersect1d(names_x, names_y)
    if subjects.size < 3:
        raise InputError("subjects", got=f"{subjects.size} read by both methods", allowed="at least 3")
    if truth == "constant":
        return _constant(names_x, xs, names_y, ys, subjects, multiplier, level, unit)
    if truth == "varying":
        return _varying(names_x, xs, ys, subjects, multiplier, level, unit)
    raise InputError("truth", got=truth, allowed="constant or varying")


def _by_subject(
    names: NDArray[np.str_], values: Floats, subjects: NDArray[np.str_]
) -> tuple[Floats, Floats, float, int]:
    """Readings and mean of each subject, sum of squares within, and readings used."""
    place = np.searchsorted(subjects, names)
    inside = (place < subjects.size) & (subjects[np.minimum(place, subjects.size - 1)] == names)
    place, values = place[inside], values[inside]
    count = np.bincount(place, minlength=subjects.size).astype(np.float64)
    centre = float(values.mean())
    mean = np.bincount(place, values - centre, subjects.size) / count
    rest = values - centre - mean[place]
    return count, mean + centre, float(rest @ rest), int(values.size)


def _constant(
    names_x: NDArray[np.str_],
    x: Floats,
    names_y: NDArray[np.str_],
    y: Floats,
    subjects: NDArray[np.str_],
    multiplier: float,
    level: float,
    unit: str,
) -> RepeatedDifferences:
    count_x, mean_x, within_x, all_x = _by_subject(names_x, x, subjects)
    count_y, mean_y, within_y, all_y = _by_subject(names_y, y, subjects)
    n = subjects.size
    if all_x == n and all_y == n:
        raise _not_repeated()
    d = mean_y - mean_x
    parts = [_Part(1.0, float(d.var(ddof=1)), n - 1.0)]
    squares: list[float | None] = []
    for count, within, readings in ((count_x, within_x, all_x), (count_y, within_y, all_y)):
        if readings > n:
            square = within / (readings - n)
            parts.append(_Part(1.0 - float(np.mean(1 / count)), square, float(readings - n)))
            squares.append(square)
        else:
            squares.append(None)
    limits = _limits(d, sum(p.factor * p.square for p in parts), parts, multiplier, level, unit)
    return RepeatedDifferences(
        limits,
        "constant",
        (all_x, all_y),
        parts[0].square,
        squares[0],
        squares[1],
        None,
        None,
        math.sqrt(parts[0].square),
        (mean_x + mean_y) / 2,
        d,
    )


def _varying(
    names: NDArray[np.str_],
    x: Floats,
    y: Floats,
    subjects: NDArray[np.str_],
    multiplier: float,
    level: float,
    unit: str,
) -> RepeatedDifferences:
    count, mean, within, total = _by_subject(names, y - x, subjects)
    _, middle, _, _ = _by_subject(names, (x + y) / 2, subjects)
    n = subjects.size
    if total == n:
        raise _not_repeated()
    grand = float(count @ mean) / total
    between_square = float(count @ (mean - grand) ** 2) / (n - 1)
    within_square = within / (total - n)
    typical = (total - float(count @ count) / total) / (n - 1)
    raw = (between_square - within_square) / typical
    if raw >= 0:
        parts = [
            _Part(1 / typical, between_square, n - 1.0),
            _Part(1 - 1 / typical, within_square, float(total - n)),
        ]
    else:
        parts = [_Part(1.0, within_square, float(total - n))]
    limits = _limits(mean, max(raw, 0.0) + within_square, parts, multiplier, level, unit)
    spread = float(mean.var(ddof=1))
    return RepeatedDifferences(
        limits, "varying", (total, total), spread, None, None, within_square, raw, math.sqrt(spread), middle, mean
    )


def _limits(d: Floats, variance: float, parts: list[_Part], multiplier: float, level: float, unit: str) -> Differences:
    from scipy import special

    n, mean, sd = int(d.size), float(d.mean()), math.sqrt(variance)
    half = float(special.stdtrit(n - 1, 0.5 + level / 2)) * float(d.std(ddof=1)) / math.sqrt(n)
    down, up = [], []
    for part in parts:
        ends = sd_interval(math.sqrt(part.square), part.df, level=level)
        assert ends.low is not None
        assert ends.high is not None
        down.append(part.factor * (part.square - ends.low**2))
        up.append(part.factor * (ends.high**2 - part.square))
    low, high = math.sqrt(max(variance - math.hypot(*down), 0.0)), math.sqrt(variance + math.hypot(*up))
    near = math.hypot(half, multiplier * (sd - low))
    far = math.hypot(half, multiplier * (high - sd))
    reach = multiplier * sd
    return Differences(
        n,
        Bounded(mean, mean - half, mean + half, unit, level),
        Bounded(sd, low, high, unit, level),
        Bounded(mean - reach, mean - reach - far, mean - reach + near, unit, level),
        Bounded(mean + reach, mean + reach - near, mean + reach + far, unit, level),
        multiplier,
        "difference",
        "variance estimates recovered from each component's chi-square interval",
    )


def _not_repeated() -> InputError:
    return InputError(
        "repeated readings",
        got="one reading per subject and method",
        allowed="at least one subject read more than once",
        do="Use --repeats none.",
    )
