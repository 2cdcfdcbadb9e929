"""Which part of the platelets' contribution a blocker lot takes away, and how much that differs between donors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked, mean_interval, sd_interval
from stanch.verify.reagents.ratio import ratio_of_totals
from stanch.verify.records import Bounded

__all__ = ["BlockFraction", "block_fraction"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BlockFraction:
    """The fraction b and what rests on it.

    Parameters
    ----------
    total : Bounded
        Sum of the drops over sum of the platelet parts, with Fieller's interval [-].
    mean : Bounded
        Mean of the donors' own fractions, with t interval [-].
    sd : Bounded
        Of the donors' fractions: what an assay document states for one new sample [-].
    donors : tuple of float
        Fraction of each donor used [-].
    platelet : tuple of float
        Platelet part of each donor used, base minus reference [unit].
    left_out : int
        Donors whose platelet part is not above zero and so cannot tell.
    n : int
    """

    total: Bounded
    mean: Bounded
    sd: Bounded
    donors: tuple[float, ...]
    platelet: tuple[float, ...]
    left_out: int
    n: int


def block_fraction(
    base: ArrayLike, blocked: ArrayLike, reference: ArrayLike, *, level: float = 0.95, weakest: float = 0.0
) -> BlockFraction:
    """Block fraction of a lot from samples whose platelet part is known otherwise.

    Parameters
    ----------
    base : array_like, shape (donor,)
        Modulus of the base well [unit].
    blocked : array_like, shape (donor,)
        Modulus with the blocker [unit].
    reference : array_like, shape (donor,)
        Modulus of the same donor without any platelet contribution, by an independent way: platelet-free plasma
        brought to the same fibrinogen and haematocrit, or a second inhibitor shown to be complete [unit].
    level : float
        [-].
    weakest : float
        Platelet part a donor must exceed to be used [unit].

    Returns
    -------
    BlockFraction

    Raises
    ------
    InputError
        If fewer than two donors have a platelet part.

    Notes
    -----
    With fibrin F and platelet part P: base = F + P, blocked = F + (1 - b) P, reference = F; so
    b = (base - blocked)/(base - reference), and in a sample fibrin = (blocked - (1 - b) base)/b and platelet =
    (base - blocked)/b. The ratio of totals is nearly unbiased under measurement error, the mean of ratios is not where
    platelet parts are small.
    """
    g, k, f = (
        checked(v, name, least=2) for v, name in ((base, "base"), (blocked, "blocked"), (reference, "reference"))
    )
    if not g.size == k.size == f.size:
        raise InputError("block", got=f"{g.size}, {k.size} and {f.size} values", allowed="one of each per donor")
    part = g - f
    use = part > weakest
    if int(use.sum()) < 2:
        raise InputError(
            "platelet part (base minus reference)",
            got=f"above {weakest:g} in {int(use.sum())} donors",
            allowed="two or more donors with a platelet part",
            do="Check which column is which.",
        )
    part, drop = part[use], (g - k)[use]
    own = drop / part
    sd = float(own.std(ddof=1))
    return BlockFraction(
        ratio_of_totals(drop, part, level=level),
        mean_interval(own, level=level, unit="1"),
        sd_interval(sd, own.size - 1.0, level=level, unit="1"),
        tuple(own.tolist()),
        tuple(part.tolist()),
        int((~use).sum()),
        int(use.sum()),
    )
