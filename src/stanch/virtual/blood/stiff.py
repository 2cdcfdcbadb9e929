"""A solver for stiff reaction networks: the course of every concentration on an even time grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError, StiffError
from stanch.virtual.blood.elimination import lists
from stanch.virtual.blood.network import Network

__all__ = ["ATOL", "RTOL", "Solution", "solve"]

Floats = NDArray[np.float64]

RTOL = 1e-5
"""Relative error allowed in one step unless told otherwise [-]."""

ATOL = 1e-18
"""Absolute error allowed in one step unless told otherwise, less than one molecule in a millilitre [mol/m^3].

A burst grows out of traces, so that this must lie far below the first enzyme that matters; see
``benchmarks/cascade_speed.py --random``.
"""

MOST_STEPS = 200_000


@dataclass(frozen=True)
class Solution:
    """Concentrations against time.

    Parameters
    ----------
    network : Network
        What was solved.
    time : ndarray, shape (time,)
        Even grid from 0 [s].
    values : ndarray, shape (time, species)
        In the order of the network's species [mol/m^3].
    steps, refused, evaluations, factorisations : int
        Steps taken and tried in vain, right-hand sides and matrices factorised.
    """

    network: Network
    time: Floats
    values: Floats
    steps: int
    refused: int
    evaluations: int
    factorisations: int

    def __getitem__(self, species: str) -> Floats:
        return self.values[:, self.network.index(species)]


def solve(
    network: Network,
    initial: ArrayLike,
    *,
    duration: float,
    step: float,
    constants: ArrayLike | None = None,
    rtol: float = RTOL,
    atol: ArrayLike = ATOL,
) -> Solution:
    """Follow a reaction network.

    Parameters
    ----------
    network : Network
        Any.
    initial : array_like, shape (species,)
        From :meth:`Network.initial` [mol/m^3].
    duration, step : float
        Length and spacing of the grid of times; the last time is the last multiple of `step` within `duration` [s].
    constants : array_like, shape (steps,), optional
        From :meth:`Network.constants`; unscaled by default [SI unit].
    rtol : float
        Relative error allowed in one step [-].
    atol : array_like, shape () or (species,)
        Absolute error allowed in one step [mol/m^3].

    Returns
    -------
    Solution
        Every value finite and 0 or above.

    Raises
    ------
    InputError
        If an argument cannot be.
    StiffError
        If the step becomes too small or there are too many.

    Notes
    -----
    A Rosenbrock method of order 4, L-stable and stiffly accurate, with an embedded solution of order 3 and continuous
    output of order 3: RODAS of Hairer and Wanner, Solving Ordinary Differential Equations II, 2nd ed. 1996, section
    IV.10. Values between the steps come from that output. A step that takes a concentration below zero by more than
    `atol` is refused, and what is left below zero is set to zero: an enzyme that makes itself would otherwise run away
    from a rounding error of the wrong sign.
    """
    from stanch.virtual.blood import stiff_kernel

    n = len(network.species)
    start = np.ascontiguousarray(_array("initial", initial, n, "mol/m^3"))
    k = network.constants() if constants is None else _array("constants", constants, len(network.steps), "SI units")
    for name, value in (("duration", duration), ("step", step), ("rtol", rtol)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, got=value, allowed="a finite number above 0")
    allowed = np.empty(n)
    allowed[:] = atol
    if not (np.all(np.isfinite(allowed)) and np.all(allowed > 0)):
        raise InputError("atol", got=atol, allowed="finite numbers above 0, one or one per species")
    time: Floats = step * np.arange(int(duration / step * (1 + 1e-12)) + 1, dtype=float)
    values = np.empty((len(time), n))
    counts = np.zeros(4, dtype=np.int64)
    ended, reached = stiff_kernel.integrate(lists(network), k, start, step, rtol, allowed, MOST_STEPS, values, counts)
    if ended != stiff_kernel.DONE:
        what = "step too small" if ended == stiff_kernel.TOO_SMALL else f"more than {MOST_STEPS} steps"
        raise StiffError(
            f"reaction network of {n} species", got=f"{what} at {reached:g} s", do="Try another rtol or atol."
        )
    return Solution(network, time, values, *(int(c) for c in counts))


def _array(name: str, values: ArrayLike, size: int, unit: str) -> Floats:
    out = np.array(values, dtype=float)
    if out.shape != (size,) or not np.all(np.isfinite(out)) or np.any(out < 0):
        raise InputError(name, got=values, allowed=f"{size} finite numbers of 0 or above [{unit}]")
    return out
