"""Limit of detection from hit rates: a probit line by maximum likelihood, with its interval."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded

__all__ = ["HitRates", "probit"]

Floats = NDArray[np.float64]
Interval = Literal["profile", "fieller", "delta"]


@dataclass(frozen=True)
class HitRates:
    """Hit rates by concentration and the probit line through them.

    Parameters
    ----------
    limit : Bounded
        Concentration with the wanted hit rate [unit].
    rate : float
        The wanted hit rate [-].
    intercept, slope : float
        Of the line in the concentration or its logarithm to base 10 [-].
    covariance : ndarray, shape (2, 2)
        Of both [-].
    concentration : ndarray, shape (level,)
        [unit].
    hits, trials : ndarray, shape (level,)
        [-].
    logarithmic : bool
        Whether the line is in the logarithm.
    deviance, pearson : float
        Against separate rates at each concentration [-].
    degrees : int
        Of both.
    fit_p : float or None
        Chi-square probability of the Pearson sum [-].
    rounds : int
        Steps of the iteration.
    """

    limit: Bounded
    rate: float
    intercept: float
    slope: float
    covariance: Floats
    concentration: Floats
    hits: Floats
    trials: Floats
    logarithmic: bool
    deviance: float
    pearson: float
    degrees: int
    fit_p: float | None
    rounds: int

    def rate_at(self, concentration: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats, Floats]:
        """Hit rate with its pointwise interval, from the normal interval of the line.

        Parameters
        ----------
        concentration : array_like
            [unit].
        level : float
            [-].

        Returns
        -------
        tuple of ndarray
            Rate, low, high [-].
        """
        from scipy import special

        u = np.asarray(concentration, dtype=np.float64)
        u = np.log10(u) if self.logarithmic else u
        line = self.intercept + self.slope * u
        c = self.covariance
        half = special.ndtri(0.5 + level / 2) * np.sqrt(np.maximum(c[0, 0] + 2 * u * c[0, 1] + u * u * c[1, 1], 0.0))
        middle, low, high = (np.asarray(special.ndtr(v)) for v in (line, line - half, line + half))
        return middle, low, high


def probit(
    concentration: ArrayLike,
    hits: ArrayLike,
    trials: ArrayLike | None = None,
    *,
    rate: float = 0.95,
    logarithmic: bool = True,
    interval: Interval = "profile",
    confidence: float = 0.95,
    unit: str = "",
) -> HitRates:
    """Fit the probit line and read off the concentration with a wanted hit rate.

    Parameters
    ----------
    concentration : array_like, shape (n,)
        [unit].
    hits : array_like, shape (n,)
        Detected ones; 0 or 1 when `trials` is left out [-].
    trials : array_like, shape (n,), optional
        [-].
    rate : float
        Wanted hit rate [-].
    logarithmic : bool
        Line in the logarithm of the concentration; concentrations of zero are then left out by the caller.
    interval : str
        ``profile`` of the likelihood, ``fieller``, or ``delta``.
    confidence : float
        [-].
    unit : str

    Returns
    -------
    HitRates

    Raises
    ------
    InputError
        If counts make no sense, hit rates do not rise, or the rise is a step, so that no finite line fits best.

    Notes
    -----
    Finney DJ. Probit Analysis (1971), from memory; the iteration is Fisher scoring.
    """
    x, hit, n = _gathered(concentration, hits, trials, logarithmic)
    for name, number in (("rate", rate), ("confidence", confidence)):
        if not 0 < number < 1:
            raise InputError(name, got=number, allowed="above 0 and below 1")
    u = np.log10(x) if logarithmic else x
    _refuse_steps(u, x, hit, n)
    centre, scale = float(np.average(u, weights=n)), float(np.ptp(u)) / 2
    t = (u - centre) / scale
    beta, covariance, rounds = _scoring(t, hit, n)
    if beta[1] <= 0:
        raise InputError("hit rates", got="a rate that falls with the concentration", allowed="a rising one")
    at, low, high, why = _limit(t, hit, n, beta, covariance, rate, interval, confidence)

    def back(v: float | None) -> float | None:
        if v is None:
            return None
        moved = centre + scale * v
        if not logarithmic:
            return moved
        return 10.0**moved if abs(moved) < 300 else None

    value = back(at)
    if value is None:
        raise InputError("hit rates", got="a limit beyond every number", allowed="concentrations near the limit")
    if not why and value > x.max():
        why = "It lies above every concentration measured: an extrapolation."
    turn = np.array([[1.0, -centre / scale], [0.0, 1 / scale]])
    intercept, slope = turn @ beta
    deviance, pearson = _misfit(t, hit, n, beta)
    degrees = int(x.size - 2)
    return HitRates(
        limit=Bounded(value, back(low), back(high), unit, confidence, why),
        rate=rate,
        intercept=float(intercept),
        slope=float(slope),
        covariance=turn @ covariance @ turn.T,
        concentration=x,
        hits=hit,
        trials=n,
        logarithmic=logarithmic,
        deviance=deviance,
        pearson=pearson,
        degrees=degrees,
        fit_p=_chi2(pearson, degrees),
        rounds=rounds,
    )


def _gathered(
    concentration: ArrayLike, hits: ArrayLike, trials: ArrayLike | None, logarithmic: bool
) -> tuple[Floats, Floats, Floats]:
    c, h = checked(concentration, "concentrations", least=2), checked(hits, "hits", least=2)
    t = np.ones(c.size) if trials is None else checked(trials, "trials", least=2)
    if not c.size == h.size == t.size:
        raise InputError("hit rates", got=f"{c.size}, {h.size} and {t.size} values", allowed="as many of each")
    if (h != np.round(h)).any() or (t != np.round(t)).any() or (h < 0).any() or (t < 1).any() or (h > t).any():
        raise InputError("hits and trials", got="counts that cannot be", allowed="whole numbers, 0 <= hits <= trials")
    if (c < 0).any() or (logarithmic and (c == 0).any()):
        raise InputError(
            "concentrations",
            got=float(c.min()),
            allowed="above zero" if logarithmic else "zero or more",
            do="Leave blanks out, or use a line in the concentration itself." if logarithmic else "",
        )
    x, which = np.unique(c, return_inverse=True)
    if x.size < 2:
        raise InputError("concentrations", got="a single one", allowed="at least 2 different")
    return x, _sums(which, h), _sums(which, t)


def _sums(which: NDArray[np.intp], values: Floats) -> Floats:
    return np.asarray(np.bincount(which, weights=values), dtype=np.float64)


def _refuse_steps(u: Floats, x: Floats, hit: Floats, n: Floats) -> None:
    got, missed = u[hit > 0], u[hit < n]
    if got.size == 0 or missed.size == 0:
        what = "nothing" if got.size == 0 else "everything"
        raise InputError("hits", got=f"{what} detected at every concentration", allowed="rates between 0 and 1")
    if got.max() <= missed.min():
        raise InputError("hit rates", got="a rate that falls with the concentration", allowed="a rising one")
    if got.min() >= missed.max():
        raise InputError(
            "hits",
            got=f"a step: all missed below {float(x[hit > 0][0]):g}, all found above {float(x[hit < n][-1]):g}",
            allowed="partly detected samples at two concentrations or more",
            do="Measure more concentrations between the two.",
        )


def _scoring(t: Floats, hit: Floats, n: Floats) -> tuple[Floats, Floats, int]:
    from scipy import special

    share = (hit.sum() + 0.5) / (n.sum() + 1)
    beta = np.array([float(special.ndtri(share)), 0.0])
    value = _log_likelihood(t, hit, n, beta)
    rows = np.column_stack([np.ones_like(t), t])
    rounds = 0
    while True:
        rounds += 1
        if rounds > 200:
            raise InputError("hit rates", got="no convergence in 200 steps", allowed="rates that rise")
        score, information = _score(rows, hit, n, beta)
        try:
            move = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            raise InputError("hit rates", got="a step", allowed="rates that rise over several levels") from None
        size = 1.0
        while (after := _log_likelihood(t, hit, n, beta + size * move)) < value - 1e-12 * abs(value) and size > 1e-8:
            size /= 2
        beta, value = beta + size * move, after
        if float(np.abs(size * move).max()) < 1e-12 * (1 + float(np.abs(beta).max())):
            break
    covariance = np.asarray(np.linalg.inv(_score(rows, hit, n, beta)[1]), dtype=np.float64)
    return np.asarray(beta, dtype=np.float64), covariance, rounds


def _score(rows: Floats, hit: Floats, n: Floats, beta: Floats) -> tuple[Floats, Floats]:
    """Derivative of the log likelihood and expected information; both tails without cancellation."""
    from scipy import special

    eta = rows @ beta
    log_density = -0.5 * eta * eta - 0.5 * math.log(2 * math.pi)
    over_p = np.exp(log_density - special.log_ndtr(eta))
    over_q = np.exp(log_density - special.log_ndtr(-eta))
    score = rows.T @ (hit * over_p - (n - hit) * over_q)
    return score, (rows * (n * over_p * over_q)[:, None]).T @ rows


def _log_likelihood(t: Floats, hit: Floats, n: Floats, beta: Floats) -> float:
    from scipy import special

    eta = beta[0] + beta[1] * t
    return float(np.sum(hit * special.log_ndtr(eta) + (n - hit) * special.log_ndtr(-eta)))


def _limit(
    t: Floats,
    hit: Floats,
    n: Floats,
    beta: Floats,
    covariance: Floats,
    rate: float,
    interval: Interval,
    confidence: float,
) -> tuple[float, float | None, float | None, str]:
    from scipy import special

    z, q = float(special.ndtri(rate)), float(special.ndtri(0.5 + confidence / 2))
    a, b = float(beta[0]), float(beta[1])
    at = (z - a) / b
    if interval == "delta":
        slope = np.array([-1 / b, -at / b])
        half = q * math.sqrt(float(slope @ covariance @ slope))
        return at, at - half, at + half, ""
    if interval == "fieller":
        return (at, *_fieller(z - a, b, covariance, q))
    if interval == "profile":
        return (at, *_profile(t, hit, n, at, b, z, q, covariance))
    raise InputError("interval", got=interval, allowed="profile, fieller, delta")


def _fieller(top: float, b: float, v: Floats, q: float) -> tuple[float | None, float | None, str]:
    """Roots of (top - b u)^2 = q^2 Var(a + b u)."""
    a2 = b * b - q * q * float(v[1, 1])
    a1 = -2 * (top * b + q * q * float(v[0, 1]))
    a0 = top * top - q * q * float(v[0, 0])
    if a2 <= 0:
        return None, None, "The slope is not told from zero, so the interval has no ends."
    root = math.sqrt(max(a1 * a1 - 4 * a2 * a0, 0.0))
    return (-a1 - root) / (2 * a2), (-a1 + root) / (2 * a2), ""


def _profile(
    t: Floats, hit: Floats, n: Floats, at: float, b: float, z: float, q: float, covariance: Floats
) -> tuple[float | None, float | None, str]:
    slope = np.array([-1 / b, -at / b])
    unit = max(math.sqrt(float(slope @ covariance @ slope)), 1e-6)
    best = _best_slope(t, hit, n, at, z, b)[1]

    def gap(u: float) -> float:
        return best - _best_slope(t, hit, n, u, z, b)[1] - q * q / 2

    low, high = _crossing(gap, at, -unit), _crossing(gap, at, unit)
    why = "" if low is not None and high is not None else "The likelihood does not fall far enough to end the interval."
    return low, high, why


def _crossing(gap: Callable[[float], float], start: float, step: float) -> float | None:
    from scipy import optimize

    inner, outer = start, start + step
    for _ in range(24):
        if gap(outer) > 0:
            return float(optimize.brentq(gap, min(inner, outer), max(inner, outer), xtol=1e-12))
        inner, step = outer, step * 1.6
        outer = inner + step
    return None


def _best_slope(t: Floats, hit: Floats, n: Floats, u: float, z: float, b: float) -> tuple[float, float]:
    """Largest likelihood of lines through (u, z); it is concave in the slope, which stays above zero."""
    from scipy import optimize

    def loss(log_b: float) -> float:
        slope = math.exp(log_b)
        return -_log_likelihood(t, hit, n, np.array([z - slope * u, slope]))

    middle = math.log(b)
    found = optimize.minimize_scalar(loss, bounds=(middle - 8, middle + 4), method="bounded", options={"xatol": 1e-7})
    return math.exp(float(found.x)), -float(found.fun)


def _misfit(t: Floats, hit: Floats, n: Floats, beta: Floats) -> tuple[float, float]:
    from scipy import special

    eta = beta[0] + beta[1] * t
    p, q = special.ndtr(eta), special.ndtr(-eta)
    saturated = special.xlogy(hit, hit / n) + special.xlogy(n - hit, (n - hit) / n)
    deviance = 2 * (float(np.sum(saturated)) - _log_likelihood(t, hit, n, beta))
    # A rate of exactly 0 or 1 in float64 fits only counts that are all missed or all found.
    spread = np.where(p * q > 0, n * p * q, 1.0)
    return max(deviance, 0.0), float(np.sum(np.where(p * q > 0, (hit - n * p) ** 2 / spread, 0.0)))


def _chi2(value: float, degrees: int) -> float | None:
    from scipy import special

    return float(special.chdtrc(degrees, value)) if degrees > 0 else None
