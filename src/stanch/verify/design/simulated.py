"""Power by simulation, where no formula holds; every random draw from the seed."""

from __future__ import annotations

import math

import numpy as np

from stanch.errors import InputError

__all__ = [
    "linearity_passes",
    "nested_passes",
    "passing_bablok_passes",
    "prediction_passes",
    "wells_passes",
]


def _positive(**given: float) -> None:
    for name, value in given.items():
        if not (value > 0 and math.isfinite(value)):
            raise InputError(name.replace("_", " "), got=value, allowed="above 0")


def nested_passes(
    runs: int,
    *,
    replicates: int,
    sd: float,
    between: float,
    allowed: float,
    confidence: float = 0.95,
    repeats: int = 2000,
    seed: int = 0,
) -> int:
    """How many simulated precision studies show the total standard deviation to be within what is allowed.

    Parameters
    ----------
    runs, replicates : int
        Runs, and results in each.
    sd, between : float
        True within-run and between-run standard deviations [unit].
    allowed : float
        Of the upper confidence limit of the total [unit].
    confidence : float
        One-sided [-].
    repeats, seed : int

    Returns
    -------
    int
        Of `repeats`.

    Notes
    -----
    Mean squares are drawn from their chi-square distributions; a negative between-run variance counts as zero; the
    limit has Satterthwaite's degrees of freedom.
    """
    from scipy import special

    _positive(sd=sd, allowed=allowed)
    if runs < 2 or replicates < 2:
        return 0
    rng = np.random.default_rng(seed)
    df_b, df_w = runs - 1, runs * (replicates - 1)
    ms_b = (sd**2 + replicates * between**2) * rng.chisquare(df_b, repeats) / df_b
    ms_w = sd**2 * rng.chisquare(df_w, repeats) / df_w
    a, b = 1 / replicates, 1 - 1 / replicates
    nested = ms_b > ms_w
    total = np.where(nested, a * ms_b + b * ms_w, ms_w)
    spread = np.where(nested, (a * ms_b) ** 2 / df_b + (b * ms_w) ** 2 / df_w, ms_w**2 / df_w)
    df = total**2 / spread
    limit = total * df / special.chdtri(df, confidence)
    return int((limit <= allowed**2).sum())


def wells_passes(
    samples: int,
    *,
    wells: int,
    sd: float,
    margin: float,
    difference: float = 0.0,
    alpha: float = 0.05,
    repeats: int = 2000,
    seed: int = 0,
) -> int:
    """How many simulated studies show every well to be equivalent to the mean of all.

    Parameters
    ----------
    samples, wells : int
        Each sample is measured in each well.
    sd : float
        Of a result about its sample [unit].
    margin : float
        Of the difference of a well from the mean of all [unit].
    difference : float
        True difference of one well [unit].
    alpha : float
        Of each one-sided test [-].
    repeats, seed : int

    Returns
    -------
    int
        Of `repeats`.
    """
    from scipy import special

    _positive(sd=sd, margin=margin)
    if samples < 2 or wells < 2:
        return 0
    rng = np.random.default_rng(seed)
    true = np.zeros(wells)
    true[0] = difference
    df = (samples - 1) * (wells - 1)
    edge = float(special.stdtrit(df, 1 - alpha)) * math.sqrt((1 - 1 / wells) / samples / df)
    passed = 0
    # In blocks, so that many samples do not fill the memory.
    for count in _blocks(repeats, samples * wells):
        x = true + sd * rng.standard_normal((count, samples, wells))
        away = x - x.mean(axis=2, keepdims=True)
        mean = away.mean(axis=1)
        # The scatter of all wells together, as the analysis pools it.
        half = edge * np.sqrt(((away - mean[:, None, :]) ** 2).sum(axis=(1, 2)))
        passed += int((np.abs(mean).max(axis=1) + half < margin).sum())
    return passed


def linearity_passes(
    replicates: int,
    *,
    levels: int,
    sd: float,
    allowed: float,
    difference: float = 0.0,
    alpha: float = 0.05,
    repeats: int = 2000,
    seed: int = 0,
) -> int:
    """How many simulated studies show the level means to lie within a limit of their line, at every level.

    Parameters
    ----------
    replicates, levels : int
        Results at each of equally spaced levels.
    sd : float
        Of a result [unit].
    allowed : float
        Deviation from the line [unit].
    difference : float
        Largest true deviation, of a bend [unit].
    alpha : float
        Of each one-sided test [-].
    repeats, seed : int

    Returns
    -------
    int
        Of `repeats`.
    """
    from scipy import special

    _positive(sd=sd, allowed=allowed)
    if levels < 3:
        raise InputError("levels", got=levels, allowed="3 or more")
    df = levels * (replicates - 1)
    if df < 1:
        return 0
    rng = np.random.default_rng(seed)
    x = np.arange(levels) - (levels - 1) / 2
    bend = x * x - float((x * x).mean())
    bend *= difference / float(np.abs(bend).max())
    root = np.sqrt((1 - 1 / levels - x * x / float(x @ x)) / replicates)
    passed = 0
    for count in _blocks(repeats, levels):
        mean = sd / math.sqrt(replicates) * rng.standard_normal((count, levels))
        mean -= mean.mean(axis=1, keepdims=True)
        away = bend + mean - (mean @ x / float(x @ x))[:, None] * x
        s = sd * np.sqrt(rng.chisquare(df, count) / df)
        half = float(special.stdtrit(df, 1 - alpha)) * s[:, None] * root
        passed += int((np.abs(away) + half < allowed).all(axis=1).sum())
    return passed


def prediction_passes(
    curves: int,
    *,
    sd: float,
    range_sd: float,
    allowed: float,
    confidence: float = 0.95,
    repeats: int = 2000,
    seed: int = 0,
) -> int:
    """How many simulated studies show the error of predicting a plateau from an early modulus to be within a limit.

    Parameters
    ----------
    curves : int
    sd : float
        True scatter of ln(plateau) about its line on ln(early modulus) [-].
    range_sd : float
        Standard deviation of ln(early modulus) among samples [-].
    allowed : float
        Of the upper confidence limit of the prediction error on the logarithm's scale [-].
    confidence : float
        One-sided [-].
    repeats, seed : int

    Returns
    -------
    int
        Of `repeats`.

    Notes
    -----
    Each curve is predicted by the line through all others; the limit is that of a standard deviation with n - 2 degrees
    of freedom.
    """
    from scipy import special

    _positive(sd=sd, range_sd=range_sd, allowed=allowed)
    if curves < 4:
        return 0
    rng = np.random.default_rng(seed)
    passed = 0
    for count in _blocks(repeats, curves):
        x = range_sd * rng.standard_normal((count, curves))
        y = x + sd * rng.standard_normal((count, curves))
        x -= x.mean(axis=1, keepdims=True)
        y -= y.mean(axis=1, keepdims=True)
        square = (x * x).sum(axis=1, keepdims=True)
        left = (y - (x * y).sum(axis=1, keepdims=True) / square * x) / (1 - 1 / curves - x * x / square)
        variance = (left**2).mean(axis=1)
        passed += int((variance * (curves - 2) / special.chdtri(curves - 2, confidence) <= allowed**2).sum())
    return passed


def passing_bablok_passes(
    samples: int,
    *,
    sd: float,
    range_sd: float,
    allowed: float,
    slope: float = 1.0,
    level: float = 0.9,
    repeats: int = 400,
    seed: int = 0,
) -> int:
    """How many simulated comparisons have the whole interval of a Passing-Bablok slope within 1 plus or minus a limit.

    Parameters
    ----------
    samples : int
    sd : float
        Of a result of either method about its sample [unit].
    range_sd : float
        Standard deviation of the true values among samples [unit].
    allowed : float
        Of the slope's distance from 1 [-].
    slope : float
        True one [-].
    level : float
        Of the interval [-].
    repeats, seed : int

    Returns
    -------
    int
        Of `repeats`.
    """
    from stanch.verify.agreement import passing_bablok

    _positive(sd=sd, range_sd=range_sd, allowed=allowed)
    if samples < 5:
        return 0
    rng = np.random.default_rng(seed)
    passed = 0
    for _ in range(repeats):
        true = range_sd * rng.standard_normal(samples)
        x = true + sd * rng.standard_normal(samples)
        y = slope * true + sd * rng.standard_normal(samples)
        try:
            found = passing_bablok(x, y, level=level, bias_interval="none").line.slope
        except InputError:
            # A comparison too poor for a slope shows nothing.
            continue
        passed += int(found.low is not None and found.high is not None
                      and found.low > 1 - allowed and found.high < 1 + allowed)  # fmt: skip
    return passed


def _blocks(repeats: int, each: int) -> list[int]:
    size = max(1, min(repeats, 4_000_000 // max(each, 1)))
    whole, rest = divmod(repeats, size)
    return [size] * whole + ([rest] if rest else [])
