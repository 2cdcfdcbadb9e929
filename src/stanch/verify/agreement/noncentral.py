"""Quantiles of the non-central t distribution that hold for any number of samples."""

from __future__ import annotations

import math

import numpy as np

from stanch.errors import InputError

__all__ = ["noncentral_t_quantile"]


def noncentral_t_quantile(p: float, df: float, shift: float) -> float:
    """Quantile of T = (Z + shift) / sqrt(chi2 / df).

    Parameters
    ----------
    p : float
        Probability, inside 0 to 1 [-].
    df : float
        Degrees of freedom, at least 1 [-].
    shift : float
        Non-centrality [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    P(T <= q) is the mean of Phi(q c - shift) over c = sqrt(chi2 / df), integrated by 400-point Gauss-Legendre between
    the 1e-17 quantiles of c. General routines lose their way at shifts beyond a few hundred, which 1e5 samples reach.

    Examples
    --------
    >>> round(noncentral_t_quantile(0.975, 9.0, 0.0), 6)
    2.262157
    """
    from scipy import optimize, special

    if not (0 < p < 1 and df >= 1 and math.isfinite(df) and math.isfinite(shift)):
        raise InputError("non-central t", got=(p, df, shift), allowed="0 < p < 1, df >= 1 and a finite shift")
    low = math.sqrt(2 * float(special.gammaincinv(df / 2, 1e-17)) / df)
    high = math.sqrt(2 * float(special.gammainccinv(df / 2, 1e-17)) / df)
    nodes, weights = np.polynomial.legendre.leggauss(400)
    c = low + (high - low) * (nodes + 1) / 2
    log_density = df * np.log(c) - np.log(c) - df * c * c / 2
    weights = weights * np.exp(log_density - log_density.max())
    weights = weights / weights.sum()

    def over(q: float) -> float:
        return float(weights @ special.ndtr(q * c - shift)) - p

    wide = 4.0 + abs(float(special.ndtri(p))) * math.sqrt(1 + shift * shift / df)
    for _ in range(60):
        if over(shift - wide) < 0 < over(shift + wide):
            return float(
                optimize.brentq(over, shift - wide, shift + wide, xtol=1e-13 * max(1.0, abs(shift)), rtol=1e-14)
            )
        wide *= 2
    raise InputError("non-central t", got=(p, df, shift), allowed="a quantile that can be bracketed")
