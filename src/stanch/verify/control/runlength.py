"""Mean run lengths of cumulative-sum and weighted-average charts, by integral equation."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError

__all__ = ["cusum_run_length", "ewma_run_length"]

Floats = NDArray[np.float64]
NODES = 96
LONGEST = 1e12
LEAST_WEIGHT = 0.01


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi))


def _solved(system: Floats) -> Floats | None:
    """Mean run lengths, or None where chance never signals within what rounding can tell."""
    try:
        length = np.linalg.solve(system, np.ones(system.shape[0]))
    except np.linalg.LinAlgError:
        return None
    return np.asarray(length, dtype=np.float64) if length.min() > 0 and length.max() < LONGEST else None


def _never() -> InputError:
    return InputError(
        "limits of a chart with memory",
        got=f"a mean run length beyond {LONGEST:g} results",
        allowed="limits and an allowance that are passed now and then",
        do="Take smaller ones.",
    )


def _one_sided(k: float, h: float, shift: float, headstart: float) -> tuple[float, float] | None:
    """Mean run length of one upper sum from zero and from the headstart; None where it practically never signals."""
    from scipy import special

    t, w = np.polynomial.legendre.leggauss(NODES)
    y, w = h * (t + 1) / 2, h * w / 2
    # The sum is at zero with a probability of its own; elsewhere it has a density.
    places = np.concatenate(([0.0], y))
    kernel = _density(y[None, :] + k - shift - places[:, None]) * w
    atom = special.ndtr(k - shift - places)
    system = np.eye(places.size) - np.concatenate((atom[:, None], kernel), axis=1)
    length = _solved(system)
    if length is None:
        return None
    from_head = (
        1
        + special.ndtr(k - shift - headstart) * length[0]
        + float((_density(y + k - shift - headstart) * w) @ length[1:])
    )
    return float(length[0]), float(from_head)


def cusum_run_length(
    k: float, h: float, *, shift: float = 0.0, headstart: float = 0.0, sides: Literal["both", "upper"] = "both"
) -> float:
    """Mean number of results to the first signal of a tabular cumulative-sum chart.

    Parameters
    ----------
    k, h, headstart : float
        Allowance, decision limit and start of the sums, in standard deviations [-].
    shift : float
        Of the mean, in standard deviations [-].
    sides : str
        ``both`` or ``upper``.

    Returns
    -------
    float
        Results [-].

    Raises
    ------
    InputError
        For limits that cannot be, or that chance practically never passes.

    Notes
    -----
    Page's integral equation with the atom at zero, on Gauss-Legendre nodes. Two sides are joined as
    (H1 L2 + H2 L1 - L1 L2)/(L1 + L2), L from zero and H from the headstart; 1/L = 1/L1 + 1/L2 without one
    (Lucas JM, Crosier RB. Technometrics 24:199-205 (1982), from memory; compared with simulation in the tests).
    """
    if not (h > 0 and k >= 0 and 0 <= headstart < h and math.isfinite(shift) and math.isfinite(h + k)):
        raise InputError(
            "cumulative sums", got=(k, h, headstart), allowed="k from 0, h above 0, headstart from 0 below h"
        )
    found = _one_sided(k, h, shift, headstart)
    other = None if sides == "upper" else _one_sided(k, h, -shift, headstart)
    if found is None or other is None:
        only = found or other
        if only is None:
            raise _never()
        return only[1]
    (upper, upper_head), (lower, lower_head) = found, other
    return (upper_head * lower + lower_head * upper - upper * lower) / (upper + lower)


def ewma_run_length(
    weight: float, width: float, *, shift: float = 0.0, limits: Literal["varying", "asymptotic"] = "varying"
) -> float:
    """Mean number of results to the first signal of a chart of exponentially weighted averages.

    Parameters
    ----------
    weight : float
        Of the newest result [-].
    width : float
        Half distance of the limits in standard deviations of the average [-].
    shift : float
        Of the mean, in standard deviations [-].
    limits : str
        ``varying`` or ``asymptotic``.

    Returns
    -------
    float
        Results [-].

    Raises
    ------
    InputError
        For a weight or a width that cannot be, or limits that chance practically never passes.

    Notes
    -----
    Crowder SV. Technometrics 29:401-407 (1987), from memory: the integral equation, on Gauss-Legendre nodes. With
    varying limits the equation is carried back from the point where they no longer change.
    """
    if not (LEAST_WEIGHT <= weight <= 1 and width > 0 and math.isfinite(width) and math.isfinite(shift)):
        raise InputError(
            "weighted averages", got=(weight, width), allowed=f"a weight from {LEAST_WEIGHT:g} to 1, a width above 0"
        )
    end = width * math.sqrt(weight / (2 - weight))
    # The kernel is as narrow as the weight: small weights need more nodes.
    t, w = np.polynomial.legendre.leggauss(NODES if weight > 0.1 else 4 * NODES)

    def kernel(from_: Floats, half: float) -> Floats:
        to = half * t
        return _density((to[None, :] - (1 - weight) * from_[:, None]) / weight - shift) * (half * w / weight)

    settled = _solved(np.eye(t.size) - kernel(end * t, end))
    if settled is None:
        raise _never()
    length = settled
    if limits == "asymptotic":
        return float(1 + (kernel(np.zeros(1), end) @ length)[0])
    last = 1 if weight == 1 else max(1, math.ceil(math.log(1e-14) / (2 * math.log1p(-weight))))
    halves = [
        end * math.sqrt(-math.expm1(2 * n * math.log1p(-weight))) if weight < 1 else end for n in range(1, last + 1)
    ]
    following = end
    for half in reversed(halves):
        length = 1 + kernel(half * t, following) @ length
        following = half
    return float(1 + (kernel(np.zeros(1), following) @ length)[0])
