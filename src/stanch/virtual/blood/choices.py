"""Every choice that the literature leaves open, as a named argument with a stated default."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Choices"]


@dataclass(frozen=True)
class Choices:
    """How virtual blood behaves where sources differ or are silent.

    Parameters
    ----------
    meizothrombin_clots : bool
        Whether meizothrombin cleaves fibrinogen as thrombin does. It moves the onset by minutes at low tissue factor.
    gel_share : float
        Share of fibrinopeptide A cleaved at which the fibrin network spans the well [-]; models use 15 to 25 %, and up
        to 45 % was seen without a visible clot.
    """

    meizothrombin_clots: bool = True
    gel_share: float = 0.20
