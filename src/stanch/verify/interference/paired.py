"""A test pool with the interfering matter against a control pool without it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.verify.equivalence import Equivalence, paired, unpaired
from stanch.verify.intervals import checked
from stanch.verify.records import Bounded
from stanch.verify.scales import Scale, edges, on_scale, shown

__all__ = ["PairedInterference", "paired_interference"]


@dataclass(frozen=True)
class PairedInterference:
    """Test minus control, or test over control.

    Parameters
    ----------
    effect : Bounded
        With the interval of level 1 - 2 alpha that decides [unit], or the ratio [-].
    wide : Bounded
        The same with its 95 % interval [unit].
    equivalence : Equivalence
        On the working scale: logarithms for a ratio [-].
    n : int
        Pairs, or results of both pools together.
    scale, pairing : str
    """

    effect: Bounded
    wide: Bounded
    equivalence: Equivalence
    n: int
    scale: str
    pairing: str


def paired_interference(
    control: ArrayLike,
    test: ArrayLike,
    *,
    allowed: float | None = None,
    scale: Scale = "difference",
    pairing: Literal["pairs", "pools"] = "pairs",
    alpha: float = 0.05,
    unit: str = "",
) -> PairedInterference:
    """Effect of an interfering substance from test and control.

    Parameters
    ----------
    control, test : array_like, shape (n,)
        Results without and with it [unit].
    allowed : float, optional
        Largest difference either way [unit], or largest ratio [-].
    scale : str
        ``difference`` or ``ratio`` (geometric mean).
    pairing : str
        ``pairs``: the n-th results belong to one sample. ``pools``: replicates of two pools (Welch).
    alpha : float
        Of each one-sided test [-].
    unit : str

    Returns
    -------
    PairedInterference

    Notes
    -----
    Two one-sided tests: Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory.
    """
    x = on_scale(checked(control, "control", least=2), scale, "control")
    y = on_scale(checked(test, "test", least=2), scale, "test")
    lower, upper = edges(allowed, scale)
    compare = paired if pairing == "pairs" else unpaired
    found = compare(x, y, lower=lower, upper=upper, alpha=alpha)
    wide = compare(x, y, alpha=0.025)
    return PairedInterference(
        shown(found.difference, scale, unit),
        shown(wide.difference, scale, unit),
        found,
        int(np.size(x)) if pairing == "pairs" else int(np.size(x) + np.size(y)),
        scale,
        pairing,
    )
