"""Scores of external quality rounds."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError

__all__ = ["e_n_score", "verdicts", "z_prime_score", "z_score", "zeta_score"]

Floats = NDArray[np.float64]


def _over(x: ArrayLike, assigned: ArrayLike, *parts: ArrayLike, what: str) -> Floats:
    d = np.asarray(x, dtype=np.float64) - np.asarray(assigned, dtype=np.float64)
    terms = [np.asarray(p, dtype=np.float64) for p in parts]
    if any(bool((t < 0).any()) or not bool(np.isfinite(t).all()) for t in terms) or not bool(np.isfinite(d).all()):
        raise InputError(what, got="a negative or infinite part", allowed="finite results and parts from zero")
    below = terms[0]
    for term in terms[1:]:
        below = np.hypot(below, term)
    if bool((below <= 0).any()):
        raise InputError(what, got=0.0, allowed="above zero", do="State a standard deviation or an uncertainty.")
    return np.asarray(d / below, dtype=np.float64)


def z_score(x: ArrayLike, assigned: ArrayLike, sigma: ArrayLike) -> Floats:
    """Result less assigned value over the standard deviation for assessment.

    Parameters
    ----------
    x, assigned, sigma : array_like
        [unit].

    Returns
    -------
    ndarray
        [-].

    Notes
    -----
    NIST Dataplot Reference Manual, ISO 13528 ZSCORE.
    """
    return _over(x, assigned, sigma, what="standard deviation for assessment")


def z_prime_score(x: ArrayLike, assigned: ArrayLike, sigma: ArrayLike, uncertainty: ArrayLike) -> Floats:
    """The z score with the uncertainty of the assigned value added to the standard deviation in squares.

    Parameters
    ----------
    x, assigned, sigma, uncertainty : array_like
        The uncertainty is that of the assigned value, standard [unit].

    Returns
    -------
    ndarray
        [-].

    Notes
    -----
    NIST Dataplot Reference Manual, ISO 13528 ZPRIME SCORE; for an uncertainty above 0.3 sigma (from memory).
    """
    return _over(x, assigned, sigma, uncertainty, what="standard deviation for assessment")


def zeta_score(x: ArrayLike, assigned: ArrayLike, own: ArrayLike, uncertainty: ArrayLike) -> Floats:
    """Result less assigned value over the standard uncertainties of both.

    Parameters
    ----------
    x, assigned : array_like
        [unit].
    own, uncertainty : array_like
        Standard uncertainty of the result and of the assigned value [unit].

    Returns
    -------
    ndarray
        [-].

    Notes
    -----
    NIST Dataplot Reference Manual, ISO 13528 ZETA SCORE. Result and assigned value count as independent.
    """
    return _over(x, assigned, own, uncertainty, what="uncertainty of a zeta score")


def e_n_score(x: ArrayLike, assigned: ArrayLike, own: ArrayLike, uncertainty: ArrayLike) -> Floats:
    """Result less assigned value over the expanded uncertainties of both.

    Parameters
    ----------
    x, assigned : array_like
        [unit].
    own, uncertainty : array_like
        Expanded uncertainty of the result and of the assigned value, same coverage factor [unit].

    Returns
    -------
    ndarray
        [-].

    Notes
    -----
    NIST Dataplot Reference Manual, ISO 13528 EN SCORE.
    """
    return _over(x, assigned, own, uncertainty, what="expanded uncertainty of an E_n score")


def verdicts(score: ArrayLike, *, warn: float = 2.0, act: float = 3.0) -> NDArray[np.str_]:
    """What scores call for.

    Parameters
    ----------
    score : array_like
        [-].
    warn, act : float
        Beyond `warn` a warning, at `act` or beyond action, either sign [-].

    Returns
    -------
    ndarray of str
        ``accepted``, ``warning`` or ``action``.

    Notes
    -----
    The criteria 2 and 3: NIST Dataplot Reference Manual after ISO 13528. Exactly 3 counts as action here, after the
    edition of 2015 (from memory).
    """
    if not 0 < warn < act:
        raise InputError("criteria of scores", got=(warn, act), allowed="above 0, the warning below the action")
    size = np.abs(np.asarray(score, dtype=np.float64))
    return np.asarray(np.where(size >= act, "action", np.where(size > warn, "warning", "accepted")))
