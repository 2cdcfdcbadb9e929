"""Power for areas under the ROC curve, slopes, linearity, control and rounds."""

from __future__ import annotations

import math

import numpy as np

from stanch.errors import InputError
from stanch.verify.design.means import inside_power

__all__ = [
    "area_power",
    "area_variance",
    "detection_within",
    "linearity_power",
    "readings_power",
    "slope_power",
    "slope_sd",
]


def area_variance(area: float, *, diseased: float, healthy: float) -> float:
    """Variance of an area under the ROC curve.

    Parameters
    ----------
    area : float
        True area [-].
    diseased, healthy : float
        Numbers of both groups [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Hanley JA, McNeil BJ. Radiology 143:29-36 (1982), from memory: q1 = A / (2 - A), q2 = 2 A^2 / (1 + A), exact for
    exponential scores.
    """
    if not 0 < area < 1:
        raise InputError("area", got=area, allowed="above 0 and below 1")
    q1, q2 = area / (2 - area), 2 * area * area / (1 + area)
    top = area * (1 - area) + (diseased - 1) * (q1 - area * area) + (healthy - 1) * (q2 - area * area)
    return top / (diseased * healthy)


def area_power(
    diseased: float, *, area: float, claimed: float, ratio: float = 1.0, alpha: float = 0.05, scale: float = 1.0
) -> float:
    """Probability that the one-sided test shows an area above a claimed one.

    Parameters
    ----------
    diseased : float
        Number of diseased [-].
    area, claimed : float
        True and claimed [-].
    ratio : float
        Healthy for each diseased [-].
    alpha : float
        [-].
    scale : float
        Standard errors times this [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    if not ratio > 0:
        raise InputError("ratio", got=ratio, allowed="above 0")
    if not 0.5 <= claimed < area < 1:
        raise InputError("area", got=area, allowed=f"above the claimed {claimed} and below 1")
    at = [scale * math.sqrt(area_variance(a, diseased=diseased, healthy=ratio * diseased)) for a in (claimed, area)]
    return float(special.ndtr((area - claimed - float(special.ndtri(1 - alpha)) * at[0]) / at[1]))


def slope_sd(n: float, *, range_sd: float, sd_x: float, sd_y: float, slope: float = 1.0) -> float:
    """Approximate standard error of a Deming slope.

    Parameters
    ----------
    n : float
        Samples [-].
    range_sd : float
        Standard deviation of the true values among samples [unit].
    sd_x, sd_y : float
        Of a result of each method about its sample [unit].
    slope : float
        True one [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Large-sample variance of the errors-in-variables line with known error ratio (Fuller WA. Measurement Error Models,
    1987, from memory).
    """
    if not range_sd > 0:
        raise InputError("range standard deviation", got=range_sd, allowed="above 0")
    vv = sd_y**2 + slope**2 * sd_x**2
    return math.sqrt(max((range_sd**2 + sd_x**2) * vv - slope**2 * sd_x**4, 0.0) / n) / range_sd**2


def slope_power(
    n: float,
    *,
    allowed: float,
    range_sd: float,
    sd_x: float,
    sd_y: float,
    slope: float = 1.0,
    alpha: float = 0.05,
) -> float:
    """Probability that the interval of level 1 - 2 alpha of a Deming slope lies within 1 plus or minus a limit.

    Parameters
    ----------
    n : float
        Samples [-].
    allowed : float
        [-].
    range_sd, sd_x, sd_y : float
        As for :func:`slope_sd` [unit].
    slope : float
        True one [-].
    alpha : float
        Of each one-sided test [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    if n < 3:
        return 0.0
    se = slope_sd(n, range_sd=range_sd, sd_x=sd_x, sd_y=sd_y, slope=slope)
    return inside_power(allowed, slope - 1, se, float(special.stdtrit(n - 2, 1 - alpha)), n - 2)


def linearity_power(
    replicates: int, *, levels: int, sd: float, allowed: float, difference: float = 0.0, alpha: float = 0.05
) -> float:
    """Probability that the deviation from the line is shown, at its least favourable level, to be within a limit.

    Parameters
    ----------
    replicates, levels : int
        Results at each of equally spaced levels.
    sd : float
        Of a result [unit].
    allowed, difference : float
        Allowed and true deviation at that level [unit].
    alpha : float
        Of each one-sided test [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    if levels < 3:
        raise InputError("levels", got=levels, allowed="3 or more")
    df = levels * (replicates - 1)
    if df < 1:
        return 0.0
    x = np.arange(levels) - (levels - 1) / 2
    leverage = float((1 / levels + x * x / (x * x).sum()).min())
    se = sd * math.sqrt((1 - leverage) / replicates)
    return inside_power(allowed, difference, se, float(special.stdtrit(df, 1 - alpha)), df)


def detection_within(runs: int, *, shift: float, limit: float, per_run: int = 1) -> float:
    """Probability that a shift has passed a control limit by a number of runs.

    Parameters
    ----------
    runs : int
    shift : float
        In standard deviations of a control result [-].
    limit : float
        Both ways, in standard deviations [-].
    per_run : int
        Results in each run.

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    if per_run < 1 or not limit > 0:
        raise InputError("control", got=(per_run, limit), allowed="1 result per run or more, a limit above 0")
    inside = float(special.ndtr(limit - shift) - special.ndtr(-limit - shift))
    return 1.0 - inside ** (runs * per_run)


def readings_power(n: int, *, sd: float, allowed: float, level: float = 0.95) -> float:
    """Probability that the expanded uncertainty of a mean of readings comes out within what is allowed.

    Parameters
    ----------
    n : int
        Readings.
    sd : float
        Of a reading [unit].
    allowed : float
        Half-width of the t interval [unit].
    level : float
        [-].

    Returns
    -------
    float
        [-].
    """
    from scipy import special

    if n < 2:
        return 0.0
    edge = allowed * math.sqrt(n) / (float(special.stdtrit(n - 1, 0.5 + level / 2)) * sd)
    return float(special.gammainc((n - 1) / 2, (n - 1) * edge**2 / 2))
