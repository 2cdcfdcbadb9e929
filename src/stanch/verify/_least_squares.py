"""What every least-squares fit needs: checked weights and the factor of an interval."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked

Floats = NDArray[np.float64]


def weights_of(weights: ArrayLike | None, x: Floats, y: Floats) -> Floats:
    if x.size != y.size:
        raise InputError("x and y of a regression", got=f"{x.size} and {y.size} values", allowed="as many of each")
    if weights is None:
        return np.ones(x.size)
    w = checked(weights, "weights")
    if w.size != x.size or not (w > 0).all():
        raise InputError(
            "weights",
            got=f"{w.size} values, smallest {float(w.min())}",
            allowed=f"{x.size} values above zero",
            do="Leave out what should not count.",
        )
    return w


def t_factor(df: float, level: float) -> float:
    from scipy import special

    if not 0 < level < 1:
        raise InputError("level of an interval", got=level, allowed="above 0 and below 1")
    return float(special.ndtri(0.5 + level / 2) if math.isinf(df) else special.stdtrit(df, 0.5 + level / 2))
