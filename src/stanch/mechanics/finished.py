"""Analysis that starts at finished moduli, such as the curve of an oscillating rheometer."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET, Moduli

__all__ = ["from_modulus", "scatter"]

Floats = NDArray[np.float64]

_SMALLEST_SD = 1e-4
_Z95 = 1.959963984540054


def from_modulus(
    push_time: ArrayLike,
    modulus: ArrayLike,
    *,
    modulus_sd: ArrayLike | None = None,
    viscosity: ArrayLike | None = None,
) -> Moduli:
    """Moduli as somebody else determined them, with a noise model for the curve.

    Parameters
    ----------
    push_time : array_like, shape (push,)
        Times of the values since activation [s].
    modulus : array_like, shape (push,)
        Storage modulus [Pa].
    modulus_sd : array_like, shape (push,), optional
        Its standard deviation [Pa]; estimated from the local scatter when absent.
    viscosity : array_like, shape (push,), optional
        [Pa·s].

    Returns
    -------
    Moduli
        With a diagonal covariance: what the values share cannot be told from them.

    Raises
    ------
    InputError
        If a modulus is not above -10 Pa, or a standard deviation is not positive.
    """
    time = np.asarray(push_time, dtype=float)
    g = np.asarray(modulus, dtype=float)
    if not np.all(g > -LOG_OFFSET):
        raise InputError("modulus", got=float(g[~(g > -LOG_OFFSET)][0]), allowed=f"above {-LOG_OFFSET:g} Pa")
    y = np.log(g + LOG_OFFSET)
    if modulus_sd is None:
        sd = scatter(time, y)
    else:
        given = np.asarray(modulus_sd, dtype=float)
        if not np.all(given > 0):
            raise InputError("modulus_sd", got=float(given[~(given > 0)][0]), allowed="positive numbers [Pa]")
        sd = given / (g + LOG_OFFSET)
    low = np.exp(y - _Z95 * sd) - LOG_OFFSET
    high = np.exp(y + _Z95 * sd) - LOG_OFFSET
    unknown = np.full_like(g, np.nan)
    eta = unknown if viscosity is None else np.asarray(viscosity, dtype=float)
    n = g.size
    return Moduli(
        push_time=time,
        modulus=g,
        modulus_low=np.maximum(low, 0.0),
        modulus_high=np.maximum(high, 0.0),
        viscosity=eta,
        viscosity_low=unknown,
        viscosity_high=unknown,
        force=unknown,
        force_sd=unknown,
        log_modulus=y,
        covariance=np.diag(sd**2),
        speckle=np.zeros(n),
        speckle_sd=np.zeros(n),
        strain=unknown,
        reduced_chi2=unknown,
        zero_rejected=low > 0,
        usable=np.ones(n, dtype=np.bool_),
        flags=np.zeros(n, dtype=np.int64),
        fitted=None,
    )


def scatter(time: ArrayLike, y: ArrayLike, window: int = 31) -> Floats:
    """Local standard deviation of noise on a slowly changing series.

    Parameters
    ----------
    time, y : array_like, shape (push,)
        Times [s] and values [-].
    window : int
        Values over which the spread is taken [-].

    Returns
    -------
    ndarray, shape (push,)
        Standard deviation [-], never below 1e-4.

    Notes
    -----
    From the departure of each value from the chord between its neighbours, whose variance is
    1 + u^2 + (1 - u)^2 times that of the noise; spread by the median absolute deviation over 0.6745.
    """
    t = np.asarray(time, dtype=float)
    v = np.asarray(y, dtype=float)
    if v.size < 5:
        raise InputError("modulus", got=f"{v.size} values", allowed="5 or more, or a column of standard deviations")
    u = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    departure = (v[1:-1] - (1 - u) * v[:-2] - u * v[2:]) / np.sqrt(1 + u**2 + (1 - u) ** 2)
    padded = np.pad(np.abs(departure), 1, mode="edge")
    half = window // 2
    spread = np.array([np.median(padded[max(0, i - half) : i + half + 1]) for i in range(v.size)])
    return np.maximum(spread / 0.6744897501960817, _SMALLEST_SD)
