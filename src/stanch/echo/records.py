"""The record the echo stage returns: displacement of every push of one well, with its noise model and quality."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

__all__ = ["Displacement", "PushFlag"]

Floats = NDArray[np.float64]


class PushFlag(IntFlag):
    """Signs seen on one push; flagged pushes are kept."""

    NONE = 0
    SATURATED = 1
    DECORRELATED = 2
    LOST_FRAMES = 4
    REPEATED_FRAMES = 8
    WEAK_ECHO = 16
    DRIFT = 32
    STRAIN = 64
    MISFIT = 128
    NO_CONVERGENCE = 256
    BUBBLE = 512
    KNOCK = 1024
    REFUSED = 2048
    NOT_FINITE = 4096


@dataclass(frozen=True)
class Displacement:
    """Displacement of one well, push by push, over the tracking gate.

    The random error of frame k of a push is x_k + e_k with e_k ~ N(0, sd_k^2) independent and x a random walk from
    x_0 ~ N(0, shared_sd^2) with steps of step_sd_k. A fixed reference line has step_sd 0 and shared_sd the noise of the
    (averaged) reference; a progressive reference has step_sd > 0.

    What the beam sees is ``sum_z sensitivity(z) <D0(z) + delta D1(z)>``, delta ~ N(0, tau^2 link),
    tau^2 = 1/(2 (speckle_cells - 1)), D_k the response weighted by the k-th Laguerre polynomial of r^2/w^2.

    Parameters
    ----------
    push_time : ndarray, shape (push,)
        Since the well's activation [s].
    frame_time : ndarray, shape (frame,)
        Of the frames after the pre-push ones, from the start of the push [s].
    value : ndarray, shape (push, frame)
        Along the beam, positive away from the transducer [m]; 0 where the weight is 0.
    sd, step_sd : ndarray, shape (push, frame)
        See above [m].
    shared_sd : ndarray, shape (push,)
        See above [m].
    weight : ndarray, shape (push, frame)
        0 for a refused frame, 1 for a good one [-].
    depth : ndarray, shape (depth,)
        Beam positions of `sensitivity`, 0 at the focus, positive away from the transducer [m].
    sensitivity : ndarray, shape (push, depth)
        Echo-energy weights of the gate, each row summing to 1 [-].
    speckle_cells : ndarray, shape (push,)
        Effective number M of independent speckle cells in the gate [-].
    coherence : ndarray, shape (push,)
        Mean coherence of the tracked frames with their reference [-].
    link : ndarray, shape (push, push), or None
        Squared coherence of the pre-push lines of two pushes, bias-corrected, 1 on the diagonal [-];
        None when there are no echoes to tell.
    slow_shift : ndarray, shape (push,)
        Shift of the pre-push line since the push before [m]; 0 at the first.
    slow_coherence : ndarray, shape (push,)
        Coherence of the pre-push line with that of the push before, bias-corrected [-]; 0 at the first.
    zone_coherence : ndarray, shape (push, zone)
        The same in zones of equal depth from the near to the far end of the recorded line [-].
    energy : ndarray, shape (push, depth_bin)
        Mean echo energy against depth over the whole line, `energy_depth` bins [squared counts].
    energy_depth : ndarray, shape (depth_bin,)
        Beam positions of `energy` [m].
    flags : ndarray of int64, shape (push,)
        :class:`PushFlag` bits.
    estimator : str
        Which displacement estimator.
    """

    push_time: Floats
    frame_time: Floats
    value: Floats
    sd: Floats
    step_sd: Floats
    shared_sd: Floats
    weight: Floats
    depth: Floats
    sensitivity: Floats
    speckle_cells: Floats
    coherence: Floats
    link: Floats | None
    slow_shift: Floats
    slow_coherence: Floats
    zone_coherence: Floats
    energy: Floats
    energy_depth: Floats
    flags: NDArray[np.int64]
    estimator: str
