"""Power and sample size of paired equivalence, exactly."""

from __future__ import annotations

import math

import numpy as np

from stanch.errors import InputError

__all__ = ["paired_power", "pairs_needed"]


def paired_power(pairs: int, sd: float, allowed: float, *, true: float = 0.0, alpha: float = 0.05) -> float:
    """Probability that two one-sided paired t tests show equivalence.

    Parameters
    ----------
    pairs : int
        From 2.
    sd : float
        Of the differences [unit].
    allowed : float
        Largest mean difference allowed, either way [unit].
    true : float
        Mean difference there is [unit].
    alpha : float
        Of each one-sided test [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Integral over the distribution of the standard deviation; no normal approximation. Phillips KF. J Pharmacokinet
    Biopharm 18:137-144 (1990), from memory.
    """
    from scipy import special

    if not (sd > 0 and math.isfinite(sd) and allowed > 0 and math.isfinite(allowed) and math.isfinite(true)):
        raise InputError("power", got=(sd, allowed, true), allowed="an SD and an allowed difference above 0")
    if pairs < 2 or not 0 < alpha < 0.5:
        raise InputError("power", got=(pairs, alpha), allowed="at least 2 pairs, alpha above 0 and below 0.5")
    df, root = pairs - 1, math.sqrt(pairs) / sd
    critical = float(special.stdtrit(df, 1 - alpha))
    # In units of sd: both tests can reject while the standard deviation seen is below this.
    end = min(allowed * root / critical, math.sqrt(float(special.chdtri(df, 1e-17)) / df))
    start = math.sqrt(float(special.chdtri(df, 1 - 1e-15)) / df) if df > 30 else 0.0
    if end <= start:
        return 0.0
    t, w = np.polynomial.legendre.leggauss(240)
    s = start + (end - start) * (t + 1) / 2
    log_density = (
        math.log(2) + df / 2 * math.log(df / 2) - float(special.gammaln(df / 2)) + (df - 1) * np.log(s) - df * s * s / 2
    )
    high = (allowed - true) * root - critical * s
    low = -(allowed + true) * root + critical * s
    inside = np.maximum(special.ndtr(high) - special.ndtr(low), 0.0)
    return min(1.0, float((end - start) / 2 * (w @ (np.exp(log_density) * inside))))


def pairs_needed(
    sd: float, allowed: float, *, power: float = 0.90, true: float = 0.0, alpha: float = 0.05, most: int = 100_000
) -> int | None:
    """Fewest pairs that show equivalence with the probability wanted.

    Parameters
    ----------
    sd, allowed, true : float
        [unit].
    power, alpha : float
        [-].
    most : int
        Where to give up.

    Returns
    -------
    int or None
        None where `most` pairs do not do, as when the true difference is not allowed.
    """
    if not 0 < power < 1:
        raise InputError("power", got=power, allowed="above 0 and below 1")
    if abs(true) >= allowed or paired_power(most, sd, allowed, true=true, alpha=alpha) < power:
        return None
    low, high = 1, 2
    while high < most and paired_power(high, sd, allowed, true=true, alpha=alpha) < power:
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        if paired_power(middle, sd, allowed, true=true, alpha=alpha) >= power:
            high = middle
        else:
            low = middle
    return high
