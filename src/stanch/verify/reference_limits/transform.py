"""Box-Cox transformation: the exponent by maximum likelihood, and reference limits with its uncertainty included."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded
from stanch.verify.reference_limits.limits import Floats, ReferenceLimits, Side, probabilities, reference_values
from stanch.verify.reference_limits.normal import above_zero, spread

__all__ = ["BoxCox", "box_cox", "box_cox_limits", "power"]

_Height = Callable[[float], float]

# exp(lambda log y) must stay finite for the widest data a table can hold.
_LARGEST_EXPONENT = 300.0
# Below this the logarithms hold too few digits of the differences.
_LEAST_SPREAD = 1e-9


@dataclass(frozen=True)
class BoxCox:
    """The exponent under which values look most normal.

    Parameters
    ----------
    exponent : Bounded
        Maximum-likelihood value with its profile-likelihood interval [-].
    log_likelihood : float
        Profile log-likelihood at it, without constants, of values divided by their geometric mean [-].
    geometric_mean : float
        [unit].
    """

    exponent: Bounded
    log_likelihood: float
    geometric_mean: float


def power(log_y: Floats, exponent: float) -> Floats:
    """The transformed value (y^exponent - 1)/exponent from log y, exact through exponent 0.

    Parameters
    ----------
    log_y : ndarray
        [-].
    exponent : float
        [-].

    Returns
    -------
    ndarray
        [-].
    """
    if exponent == 0:
        return log_y
    made: Floats = np.expm1(exponent * log_y) / exponent
    return made


def box_cox(values: ArrayLike, *, design: ArrayLike | None = None, shift: float = 0.0, level: float = 0.95) -> BoxCox:
    """The Box-Cox exponent by maximum likelihood, optimised continuously.

    Parameters
    ----------
    values : array_like, shape (n,)
        Above zero after the shift [unit].
    design : array_like, shape (n, term), optional
        Columns of a linear model of the transformed values; only a mean without it [-].
    shift : float
        Added to every value first [unit].
    level : float
        Of the interval of the exponent [-].

    Returns
    -------
    BoxCox

    Raises
    ------
    InputError
        If a shifted value is not above zero, or all are equal to within rounding.

    Notes
    -----
    Box GEP, Cox DR. J R Stat Soc B 26:211-252 (1964), from memory.
    """
    x = above_zero(checked(values, "values to transform", least=3) + shift)
    spread(x)
    logs = np.log(x)
    centre = float(logs.mean())
    y = logs - centre
    if float(y.std()) < _LEAST_SPREAD:
        raise InputError(
            "values to transform",
            got="values that differ by little more than rounding",
            allowed=f"a relative spread of at least {_LEAST_SPREAD:g}",
            do="Use the method of ranks, or take off what is common to all values.",
        )
    basis = None if design is None else _basis(design, y.size)

    def height(exponent: float) -> float:
        # The Jacobian vanishes because the values are divided by their geometric mean.
        z = power(y, exponent)
        rest = z - z.mean() if basis is None else z - basis @ (basis.T @ z)
        return -0.5 * y.size * math.log(float(rest @ rest) / y.size)

    def slope(exponent: float) -> float:
        z = power(y, exponent)
        rest = z - z.mean() if basis is None else z - basis @ (basis.T @ z)
        return -y.size * float(rest @ (y * y * _slope(exponent * y, 1))) / float(rest @ rest)

    best, top = _highest(height, slope, float(np.abs(y).max()))
    return BoxCox(_profile(height, best, top, level, float(np.abs(y).max())), top, math.exp(centre))


def box_cox_limits(
    values: ArrayLike,
    *,
    coverage: float = 0.95,
    side: Side = "two",
    level: float = 0.90,
    shift: float = 0.0,
    unit: str = "",
) -> ReferenceLimits:
    """Reference limits by Box-Cox transformation; the intervals include the uncertainty of the exponent.

    Parameters
    ----------
    values : array_like, shape (person,)
        Above zero after the shift [unit].
    coverage : float
        [-].
    side : str
        ``two``, ``lower`` or ``upper``.
    level : float
        Of the intervals of the limits [-].
    shift : float
        Added before, taken off after the transformation [unit].
    unit : str

    Returns
    -------
    ReferenceLimits
        A limit beyond the reach of the transformation is missing, with the reason.

    Notes
    -----
    The limit is the inverse transform of mean + z SD (n - 1). Its interval comes from the observed information of
    mean, variance and exponent together, on the logarithm's scale, with Student's t of n - 3 degrees of freedom.
    """
    from scipy import special

    x = reference_values(values, level, least=5)
    found = box_cox(x, shift=shift)
    exponent = found.exponent.value
    assert exponent is not None
    y = np.log(x + shift) - math.log(found.geometric_mean)
    z = power(y, exponent)
    mean, sd = spread(z)
    covariance = _covariance(y, z, exponent)
    quantile = float(special.stdtrit(y.size - 3.0, (1 + level) / 2))
    limits = {}
    for which, p in probabilities(coverage, side).items():
        limits[which] = _back(
            mean, sd, exponent, float(special.ndtri(p)), covariance, quantile, found.geometric_mean, shift, level, unit
        )
    return ReferenceLimits(
        "box-cox",
        "information of mean, variance and exponent together",
        int(x.size),
        coverage,
        side,
        limits.get("lower"),
        limits.get("upper"),
        float(np.median(x)),
        details={
            "exponent": found.exponent,
            "mean": mean,
            "sd": sd,
            "geometric_mean": found.geometric_mean,
            "shift": shift,
        },
    )


def _basis(design: ArrayLike, n: int) -> Floats:
    columns = np.asarray(design, dtype=np.float64)
    if columns.ndim != 2 or columns.shape[0] != n:
        raise InputError("design", got=f"shape {columns.shape}", allowed=f"{n} rows, one per value")
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    kept: Floats = u[:, s > s.max() * 1e-10]
    if kept.shape[1] >= n:
        raise InputError("design", got=f"{kept.shape[1]} terms for {n} values", allowed="fewer terms than values")
    return kept


def _highest(height: _Height, slope: _Height, widest: float) -> tuple[float, float]:
    from scipy import optimize

    edge = _LARGEST_EXPONENT / widest
    centre, step = 0.0, min(1.0, edge / 4)
    while True:
        low, high = max(centre - 2 * step, -edge), min(centre + 2 * step, edge)
        grid = np.linspace(low, high, 9)
        heights = [height(float(e)) for e in grid]
        k = int(np.argmax(heights))
        if 0 < k < 8:
            break
        if abs(grid[k]) >= edge:
            raise InputError(
                "values to transform",
                got="values no power makes normal",
                allowed="values with one peak",
                do="Use the method of ranks.",
            )
        centre, step = float(grid[k]), step * 2
    found = optimize.minimize_scalar(
        lambda e: -height(float(e)),
        bounds=(float(grid[k - 1]), float(grid[k + 1])),
        method="bounded",
        options={"xatol": 1e-8 * max(1.0, abs(float(grid[k])))},
    )
    best = float(found.x)
    # The top is too flat to be found from heights to more than half the digits; the slope finds the rest.
    near = 1e-5 * max(1.0, abs(best))
    if slope(best - near) > 0 > slope(best + near):
        best = float(optimize.brentq(slope, best - near, best + near, xtol=1e-14))
    return best, height(best)


def _profile(height: _Height, best: float, top: float, level: float, widest: float) -> Bounded:
    from scipy import optimize, special

    drop = float(special.chdtri(1, 1 - level)) / 2
    edge = _LARGEST_EXPONENT / widest
    ends: list[float | None] = []
    for sign in (-1.0, 1.0):
        step = 0.05
        while abs(best + sign * step) < edge and height(best + sign * step) > top - drop:
            step *= 2
        if abs(best + sign * step) >= edge:
            ends.append(None)
            continue
        ends.append(float(optimize.brentq(lambda e: height(e) - top + drop, best, best + sign * step, xtol=1e-10)))
    why = "The likelihood does not fall off within reach." if None in ends else ""
    return Bounded(best, ends[0], ends[1], "1", level, why)


def _covariance(y: Floats, z: Floats, exponent: float) -> Floats:
    """Inverse observed information of mean, logarithm of the SD, and exponent."""
    first = y * y * _slope(exponent * y, 1)
    second = y * y * y * _slope(exponent * y, 2)
    n = y.size
    mean = float(z.mean())
    variance = float(z.var())
    r = z - mean
    information: Floats = np.empty((3, 3), dtype=np.float64)
    information[0, 0] = n / variance
    information[1, 1] = 2.0 * n
    information[0, 1] = information[1, 0] = 0.0
    information[0, 2] = information[2, 0] = -float(first.sum()) / variance
    information[1, 2] = information[2, 1] = -2.0 * float(r @ first) / variance
    information[2, 2] = (float(first @ first) + float(r @ second)) / variance
    made: Floats = np.linalg.inv(information).astype(np.float64)
    return made


def _slope(t: Floats, order: int) -> Floats:
    """Derivatives of (exp(t) - 1)/t, by series near 0 where the closed form cancels."""
    near = np.abs(t) < 1.0
    s = np.where(near, t, 0.0)
    series = np.zeros_like(t)
    term = np.ones_like(t)
    for k in range(20):
        series += term / (k + order + 1)
        term = term * s / (k + 1)
    far = np.where(near, 1.0, t)
    grown = np.exp(far)
    closed = (far * grown - grown + 1) / far**2 if order == 1 else (grown * (far**2 - 2 * far + 2) - 2) / far**3
    made: Floats = np.where(near, series, closed)
    return made


def _back(
    mean: float,
    sd: float,
    exponent: float,
    z: float,
    covariance: Floats,
    quantile: float,
    geometric_mean: float,
    shift: float,
    level: float,
    unit: str,
) -> Bounded:
    w = mean + z * sd
    u = exponent * w
    if u <= -1:
        return Bounded.missing(
            f"The transformation with exponent {exponent:.3g} does not reach as far as this limit.", unit
        )
    if abs(u) < 1e-4:
        log_q, by_exponent = w * (1 - u / 2 + u * u / 3), w * w * (-0.5 + 2 * u / 3)
    else:
        log_q = math.log1p(u) / exponent
        by_exponent = w / (exponent * (1 + u)) - math.log1p(u) / exponent**2
    by_w = 1 / (1 + u)
    gradient = np.array([by_w, by_w * z * sd, by_exponent])
    half = quantile * math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
    if log_q + half > 600:
        return Bounded(geometric_mean * math.exp(log_q) - shift, unit=unit, level=level, why="Its interval has no end.")
    low, value, high = (geometric_mean * math.exp(e) - shift for e in (log_q - half, log_q, log_q + half))
    return Bounded(value, low, high, unit, level)
