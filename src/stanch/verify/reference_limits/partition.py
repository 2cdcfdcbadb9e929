"""Do groups need reference limits of their own?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import checked, share_interval
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.normal import standard_deviation

__all__ = ["GroupDifference", "SharedOutside", "group_difference", "outside_shared_limits"]


@dataclass(frozen=True)
class GroupDifference:
    """Two groups of reference values against the rule of Harris and Boyd.

    Parameters
    ----------
    n : tuple of int
    mean, sd : tuple of float
        [unit].
    z : float or None
        Difference of the means over its standard error [-]; null when neither group spreads.
    critical_z : float
        From which separate limits are called for; grows with the root of the group size [-].
    sd_ratio : float or None
        Larger SD over smaller one [-]; null when the smaller is zero.
    critical_ratio : float
        From which separate limits are called for [-].
    apart : bool
        Whether either criterion calls for separate limits.
    """

    n: tuple[int, int]
    mean: tuple[float, float]
    sd: tuple[float, float]
    z: float | None
    critical_z: float
    sd_ratio: float | None
    critical_ratio: float
    apart: bool


@dataclass(frozen=True)
class SharedOutside:
    """Share of one group outside limits shared with others.

    Parameters
    ----------
    below, above : Bounded or None
        With exact binomial interval [-]; None where there is no such limit.
    n : int
    outcome : str
        ``separate`` when a share lies at or beyond an outer bound, ``shared`` when all lie within the inner ones,
        ``between`` otherwise.
    """

    below: Bounded | None
    above: Bounded | None
    n: int
    outcome: str


def group_difference(
    one: ArrayLike, two: ArrayLike, *, critical_z: float = 3.0, critical_ratio: float = 1.5
) -> GroupDifference:
    """Compare two groups by the difference of their means and the ratio of their standard deviations.

    Parameters
    ----------
    one, two : array_like, shape (person,)
        [unit]; on the scale on which they are about normal.
    critical_z : float
        At 120 per group; multiplied by the root of (mean group size/120) [-].
    critical_ratio : float
        Of the standard deviations [-].

    Returns
    -------
    GroupDifference

    Raises
    ------
    InputError
        If a group has fewer than two values.

    Notes
    -----
    Harris EK, Boyd JC. Clin Chem 36:265-270 (1990), from memory.
    """
    x, y = checked(one, "first group", least=2), checked(two, "second group", least=2)
    if critical_z <= 0 or critical_ratio <= 1:
        raise InputError("critical values", got=(critical_z, critical_ratio), allowed="z above 0, ratio above 1")
    sd = standard_deviation(x), standard_deviation(y)
    mean = float(x.mean()), float(y.mean())
    error = math.hypot(sd[0] / math.sqrt(x.size), sd[1] / math.sqrt(y.size))
    z = abs(mean[0] - mean[1]) / error if error > 0 else None
    edge = critical_z * math.sqrt((x.size + y.size) / 240)
    ratio = max(sd) / min(sd) if min(sd) > 0 else None
    differs = mean[0] != mean[1] if z is None else z > edge
    spreads = max(sd) > 0 if ratio is None else ratio > critical_ratio
    return GroupDifference(
        (int(x.size), int(y.size)), mean, sd, z, edge, ratio, critical_ratio, bool(differs or spreads)
    )


def outside_shared_limits(
    values: ArrayLike,
    *,
    lower: float | None,
    upper: float | None,
    coverage: float = 0.95,
    level: float = 0.95,
    inner: tuple[float, float] = (0.009, 0.041),
    middle: tuple[float, float] = (0.018, 0.032),
) -> SharedOutside:
    """Share of one group that lies outside limits made for all groups together.

    Parameters
    ----------
    values : array_like, shape (person,)
        Of one group [unit].
    lower, upper : float or None
        The shared limits [unit]; None for an open side.
    coverage : float
        Of the shared limits [-].
    level : float
        Of the intervals of the shares [-].
    inner : tuple of float
        Shares at or beyond which separate limits are called for, where 2.5 % are meant [-].
    middle : tuple of float
        Shares within which shared limits will do, where 2.5 % are meant [-].

    Returns
    -------
    SharedOutside
        The bounds are scaled with the share that is meant at each end.

    Raises
    ------
    InputError
        If there is no limit or no value.

    Notes
    -----
    Lahti A, Hyltoft Petersen P, Boyd JC, Rustad P, Laake P, Solberg HE. Clin Chem 50:891-900 (2004), from memory.
    """
    x = checked(values, "values of the group")
    if lower is None and upper is None:
        raise InputError("shared limits", got="none", allowed="a lower or an upper limit")
    n = int(x.size)
    below = None if lower is None else share_interval(int((x < lower).sum()), n, level=level)
    above = None if upper is None else share_interval(int((x > upper).sum()), n, level=level)
    meant = (1 - coverage) / (2 if lower is not None and upper is not None else 1)
    # Shares of whole people sit exactly on bounds such as 4.1 %: rounding must not decide.
    grown, eps = meant / 0.025, 1e-9
    shares = [s.value for s in (below, above) if s is not None and s.value is not None]
    if any(s <= inner[0] * grown + eps or s >= inner[1] * grown - eps for s in shares):
        outcome = "separate"
    elif all(middle[0] * grown - eps <= s <= middle[1] * grown + eps for s in shares):
        outcome = "shared"
    else:
        outcome = "between"
    return SharedOutside(below, above, n, outcome)
