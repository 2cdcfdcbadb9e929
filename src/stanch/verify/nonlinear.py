"""Least squares for a model of any form."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify._least_squares import t_factor, weights_of
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["Nonlinear", "nonlinear"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Nonlinear:
    """A fitted model of any form.

    Parameters
    ----------
    parameters, se : ndarray, shape (parameter,)
        [unit].
    covariance : ndarray, shape (parameter, parameter)
        [unit], products of theirs.
    residual_sd : float
        [unit].
    rss : float
        [unit], squared.
    df, n : int
    evaluations : int
        Calls of the model, those for derivatives not counted.
    """

    parameters: Floats
    se: Floats
    covariance: Floats
    residual_sd: float
    rss: float
    df: int
    n: int
    evaluations: int

    def parameter(self, index: int, *, level: float = 0.95, unit: str = "") -> Bounded:
        """One parameter with its t interval to first order [unit]."""
        value, half = float(self.parameters[index]), t_factor(self.df, level) * float(self.se[index])
        return Bounded(value, value - half, value + half, unit, level)


def nonlinear(
    model: Callable[..., Floats],
    x: ArrayLike,
    y: ArrayLike,
    start: Sequence[float],
    *,
    weights: ArrayLike | None = None,
    lower: Sequence[float] | None = None,
    upper: Sequence[float] | None = None,
    evaluations: int = 5000,
) -> Nonlinear:
    """Least-squares fit of any model.

    Parameters
    ----------
    model : callable
        Takes x and the parameters one by one, returns y.
    x, y : array_like, shape (n,)
        [unit].
    start : sequence of float
        First guess [unit].
    weights : array_like, shape (n,), optional
        Inverse relative variances [-].
    lower, upper : sequence of float, optional
        Bounds [unit].
    evaluations : int
        Most calls of the model.

    Returns
    -------
    Nonlinear

    Raises
    ------
    InputError
        If there are too few values, the model is not finite at the start, no minimum is found, or the data do not
        determine the parameters.
    """
    from scipy.optimize import least_squares

    begin = checked(np.asarray(start, dtype=np.float64), "start", least=1)
    xs = checked(x, "x of a regression", least=begin.size + 1)
    ys = checked(y, "y of a regression")
    root = np.sqrt(weights_of(weights, xs, ys))
    size = float(np.abs(ys).max()) or 1.0

    def away(p: Floats) -> Floats:
        with np.errstate(all="ignore"):
            return np.asarray((model(xs, *p) - ys) / size * root, dtype=np.float64)

    if not np.isfinite(away(begin)).all():
        raise InputError("start of a nonlinear fit", got=begin.tolist(), allowed="a point where the model is finite")
    low = np.full(begin.size, -np.inf) if lower is None else np.asarray(lower, dtype=np.float64)
    high = np.full(begin.size, np.inf) if upper is None else np.asarray(upper, dtype=np.float64)
    eps = float(np.finfo(np.float64).eps)
    # Numerical derivatives step by an absolute amount near zero, so parameters are measured in units of their start.
    each = np.where(begin == 0, 1.0, np.abs(begin))

    def relative(u: Floats) -> Floats:
        return away(u * each)

    found = least_squares(
        relative,
        begin / each,
        jac="3-point",
        bounds=(low / each, high / each),
        x_scale="jac",
        ftol=eps,
        xtol=eps,
        gtol=eps,
        max_nfev=evaluations,
    )
    if found.status == 0:
        raise InputError("nonlinear fit", got=f"no minimum in {evaluations} calls", allowed="a closer start")
    point, slopes = _polish(away, np.asarray(found.x * each, dtype=np.float64), begin, low, high)
    lengths = np.sqrt(np.sum(slopes**2, axis=0))
    lengths[lengths == 0] = 1.0
    r = np.linalg.qr(slopes / lengths, mode="r")
    if not np.isfinite(r).all() or np.abs(np.diag(r)).min() < 1e-10:
        raise InputError(
            "nonlinear fit",
            got="parameters that the data do not determine",
            allowed="fewer parameters or data that move with each",
        )
    inverse = np.linalg.solve(r, np.eye(begin.size)) / lengths[:, None]
    df = int(xs.size - begin.size)
    rss = float(np.sum(away(point) ** 2)) * size**2
    covariance = inverse @ inverse.T * rss / size**2 / df
    return Nonlinear(
        parameters=point,
        se=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_sd=math.sqrt(rss / df),
        rss=rss,
        df=df,
        n=int(xs.size),
        evaluations=int(found.nfev),
    )


def _polish(
    away: Callable[[Floats], Floats], point: Floats, start: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats]:
    """Gauss-Newton steps while they shrink: a cost comparison stops at half the digits."""
    last = math.inf
    slopes = _slopes(away, point, start)
    for _ in range(100):
        step = np.linalg.lstsq(slopes, away(point), rcond=None)[0]
        size = float(np.max(np.abs(step) / np.maximum(np.abs(point), 1e-300)))
        moved = point - step
        inside = bool(((moved > low) & (moved < high)).all())
        if not (size < 0.95 * last and size < 1e-3 and inside):
            break
        point, last = moved, size
        slopes = _slopes(away, point, start)
    return point, slopes


def _slopes(away: Callable[[Floats], Floats], point: Floats, start: Floats) -> Floats:
    columns = []
    for k in range(point.size):
        h = np.cbrt(np.finfo(np.float64).eps) * (abs(float(point[k])) or abs(float(start[k])) or 1.0)
        ahead, behind = point.copy(), point.copy()
        ahead[k] += h
        behind[k] -= h
        columns.append((away(ahead) - away(behind)) / (ahead[k] - behind[k]))
    return np.column_stack(columns)
