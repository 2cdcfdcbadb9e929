"""Loss tangent against time: the pushes' ln(G''/G'), and paths of it that are joint with those of the modulus.

The splines and the smoothness prior are those of the modulus; the warp has a corner of its own, where the loss tangent
passes 1, because there it changes within seconds. A push into liquid says only that the loss tangent is large: its
standard deviation is large, so it weighs little, and its value is capped, since nothing is read above the cap.

Pushes share speckle, which moves the loss tangent as it moves the modulus: the covariance of the loss tangents between
pushes, and with the moduli, is that of the joint fit. Where a fit states only a correlation push by push, the error of
ln(G''/G') is taken as a part that follows from that of ln(G' + 10 Pa) and a rest that is the push's own. One
approximation makes the paths joint: each curve is smoothed by itself, and what one could learn from the other is left
unused. So each set of paths follows the posterior of its own curve, and the two are correlated as the errors of the two
smoothed curves are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.curve.fitted import Fitted
from stanch.curve.noise import Pushes
from stanch.mechanics.records import Moduli
from stanch.mechanics.rheology.records import Rheology

__all__ = ["FEWEST", "LOG_CAP", "LossPushes", "crossing", "joint_draws", "loss_pushes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST = 8
"""Pushes with a loss tangent below which no curve of it is drawn [-]."""

LOG_CAP = float(np.log(50.0))
"""Largest ln of a loss tangent that is told from liquid; far above 0, where the gel time is read [-]."""

_WIDEST = 5.0
_MOST_SHARED = 0.98


@dataclass(frozen=True)
class LossPushes:
    """What the pushes say of the loss tangent.

    Parameters
    ----------
    pushes : Pushes
        ln(G''/G').
    place : ndarray of int64, shape (push,)
        Where each stands among the usable pushes [-].
    cross : ndarray, shape (push, usable push)
        Covariance of its error with that of ln(G' + 10 Pa) of every usable push [-].
    """

    pushes: Pushes
    place: Ints
    cross: Floats


def loss_pushes(moduli: Moduli, rheology: Rheology) -> LossPushes | str:
    """The usable pushes that tell a loss tangent.

    Parameters
    ----------
    moduli : Moduli
    rheology : Rheology

    Returns
    -------
    LossPushes or str
        Why there are too few, where there are.
    """
    usable = np.flatnonzero(moduli.usable)
    value, sd = rheology.log_loss_tangent[usable], rheology.log_loss_tangent_sd[usable]
    place = np.flatnonzero(np.isfinite(value) & np.isfinite(sd) & (sd > 0.0))
    if place.size < FEWEST:
        return f"Only {place.size} pushes tell a loss tangent; a curve of it needs {FEWEST}."
    keep = usable[place]
    # The number stands for a push that tells nothing; a matrix holding larger ones would be solved less exactly.
    spread = np.minimum(sd[place], _WIDEST)
    if rheology.shared is not None and rheology.cross is not None:
        cap = spread / sd[place]
        shared = cap[:, None] * rheology.shared[np.ix_(keep, keep)] * cap
        cross = cap[:, None] * rheology.cross[np.ix_(keep, usable)]
    else:
        share = np.zeros(keep.size) if rheology.correlation is None else rheology.correlation[keep]
        share = np.clip(np.where(np.isfinite(share), share, 0.0), -_MOST_SHARED, _MOST_SHARED)
        covariance = moduli.covariance[np.ix_(keep, usable)]
        pull = share * spread / np.sqrt(np.diag(moduli.covariance)[keep])
        cross = pull[:, None] * covariance
        shared = cross[:, place] * pull
    shared = np.array(shared)
    np.fill_diagonal(shared, spread**2)
    pushes = Pushes.build(np.asarray(moduli.push_time[keep], dtype=float), np.minimum(value[place], LOG_CAP), shared)
    return LossPushes(pushes, place, cross)


def crossing(pushes: Pushes, otherwise: float) -> float:
    """Roughly where the loss tangent passes 1, from weighted running means of five; the corner of its warp.

    Parameters
    ----------
    pushes : Pushes
        ln(G''/G').
    otherwise : float
        Where it does not pass 1 within the run [s].

    Returns
    -------
    float
        [s].
    """
    weight = np.pad(pushes.sd**-2, 2, mode="edge")
    value = np.pad(pushes.value, 2, mode="edge")
    view = np.lib.stride_tricks.sliding_window_view
    level = np.sum(view(weight * value, 5), axis=1) / np.sum(view(weight, 5), axis=1)
    above = level > 0.0
    if above.all() or not above.any():
        return otherwise
    lowest = int(np.argmin(level))
    before = np.flatnonzero(above[: lowest + 1])
    return float(pushes.time[before[-1]]) if before.size else otherwise


def joint_draws(modulus: Fitted, loss: Fitted, found: LossPushes, normal: Floats, rng: np.random.Generator) -> Floats:
    """Standard normal numbers of the loss tangent's paths, correlated with those of the modulus paths.

    Parameters
    ----------
    modulus, loss : Fitted
    found : LossPushes
        What `loss` was fitted to.
    normal : ndarray, shape (path, spline)
        Of the modulus paths [-].
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (path, spline of the loss tangent)
        [-].
    """
    mine = modulus.evidence.gain @ modulus.weights.root
    yours = loss.evidence.gain @ loss.weights.root
    cross = found.cross
    pulled = cross * modulus.inverse if modulus.inverse.ndim == 1 else cross @ modulus.inverse.T
    pulled = loss.inverse[:, None] * pulled if loss.inverse.ndim == 1 else loss.inverse @ pulled
    link = yours.T @ pulled @ mine
    size = link.shape[0]
    value, vector = np.linalg.eigh(np.eye(size) - link @ link.T)
    own = vector * np.sqrt(np.maximum(value, 0.0))
    return np.asarray(normal @ link.T + rng.standard_normal((normal.shape[0], size)) @ own.T)
