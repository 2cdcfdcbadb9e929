"""Warped clot time and the uniform cubic B-splines a modulus curve is built from.

A clot changes within seconds around its onset and within minutes later on, so the splines are uniform in
``u(t) = asinh((t - t0)/T)/h + (t - t0)/cap``: knots about ``h T`` apart at t0, then ``h |t - t0|``, and never more than
``cap`` apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Warp", "rough_corner", "spline_weights"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Warp:
    """The warped time of one well.

    Parameters
    ----------
    corner : float
        Where the curve leaves the liquid; knots are densest there [s].
    scale : float
        T above [s].
    step : float
        h above [-].
    cap : float
        Longest distance between knots [s].
    start, end : float
        First and last time to be covered [s].
    """

    corner: float
    scale: float
    step: float
    cap: float
    start: float
    end: float

    def age(self, time: Floats) -> Floats:
        """asinh of time since the corner over the scale: the coordinate of the smoothness hyperparameters [-]."""
        return np.asarray(np.arcsinh((time - self.corner) / self.scale))

    def coordinate(self, time: Floats) -> Floats:
        """Warped time, one unit per knot, 0 at `start` [-]."""
        return self._raw(time) - float(self._raw(np.array([self.start]))[0])

    def _raw(self, time: Floats) -> Floats:
        return self.age(time) / self.step + (time - self.corner) / self.cap

    @property
    def size(self) -> int:
        """Number of splines."""
        return max(int(np.ceil(float(self.coordinate(np.array([self.end]))[0]))), 1) + 3

    def centres(self) -> Floats:
        """Age coordinate of the middle of every spline [-]."""
        fine = np.linspace(self.start, self.end, 2048)
        time = np.interp(np.arange(self.size) - 1.0, self.coordinate(fine), fine)
        return self.age(time)


def spline_weights(warp: Warp, time: Floats) -> tuple[Ints, Floats]:
    """Index of the first spline that is not zero at each time, and the values of the four from there on.

    Returns
    -------
    first : ndarray of int64, shape (time,)
    weights : ndarray, shape (time, 4)
        Cubic B-spline values, each row summing to 1 [-].
    """
    u = np.maximum(warp.coordinate(time), 0.0)
    first = np.minimum(u.astype(np.int64), warp.size - 4)
    x = u - first
    rest = 1.0 - x
    weights = np.stack(
        (
            rest**3 / 6.0,
            (3.0 * x**3 - 6.0 * x**2 + 4.0) / 6.0,
            (3.0 * rest**3 - 6.0 * rest**2 + 4.0) / 6.0,
            x**3 / 6.0,
        ),
        axis=1,
    )
    return first, weights


def rough_corner(time: Floats, log_modulus: Floats, sd: Floats, share: float = 0.2) -> float:
    """Roughly where the curve leaves the liquid: a fifth of the way up in log modulus, from running medians of five.

    Returns
    -------
    float
        Time [s]; the middle of the run where nothing rises.
    """
    n = time.size
    if n < 8:
        return float(0.5 * (time[0] + time[-1]))
    padded = np.pad(log_modulus, 2, mode="edge")
    level = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    low, high = float(np.quantile(level, 0.02)), float(np.quantile(level, 0.98))
    # Running medians of noise alone spread over about 2.2 standard deviations.
    if high - low < 3.0 * float(np.median(sd)):
        return float(0.5 * (time[0] + time[-1]))
    top = int(np.argmax(level >= high))
    under = np.flatnonzero(level[: top + 1] < low + share * (high - low))
    return float(time[under[-1]]) if under.size else float(time[0])
