"""How curves are read and wells compared, as plain records; an assay document states them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from stanch.errors import InputError

__all__ = ["CONTRAST_KINDS", "DECLINE_REPORTS", "DIFFERENCE_REPORTS", "ContrastDefinition", "Definitions"]

CONTRAST_KINDS = ("ratio", "difference", "share", "decline")
DIFFERENCE_REPORTS = ("difference", "remainder")
DECLINE_REPORTS = ("retention", "excess_loss_rate", "total_retention", "shared_decline")


@dataclass(frozen=True)
class Definitions:
    """What the readings of one well rest on.

    Parameters
    ----------
    onset_modulus : float
        Modulus that marks the onset [Pa].
    hold : float
        Time from the anchor to the early modulus [s].
    follow : float
        Time over which a decline is followed [s].
    dwell : float
        Time the modulus must stay at or above `onset_modulus` [s].
    """

    onset_modulus: float
    hold: float
    follow: float
    dwell: float = 60.0


@dataclass(frozen=True)
class ContrastDefinition:
    """A number from two wells.

    Parameters
    ----------
    name : str
        As the assay document names it.
    kind : str
        ratio, difference, share or decline.
    reading : str or None
        Key of the reading compared; None for a decline.
    base, other : str
        Names of the wells. For a decline `base` is without and `other` with the antifibrinolytic.
    differs_in : str
        The one additive the wells differ in; empty skips the check with a warning.
    block_fraction, block_fraction_sd : float or None
        Fraction of the platelet part that the reagent lot blocks, and its standard uncertainty [-].
    report : str or None
        What a decline reports: retention, excess_loss_rate, total_retention or shared_decline. A difference
        reports ``difference`` (None means that) or ``remainder``: the reading of the other well itself, read at the
        base well's anchor - with a block fraction b, (other - (1 - b) base)/b. So a fibrin modulus is the
        remainder of the pair whose difference is the platelet modulus.
    inverse : bool
        For a ratio: other over base in place of base over other.
    """

    name: str
    kind: Literal["ratio", "difference", "share", "decline"]
    reading: str | None
    base: str
    other: str
    differs_in: str
    block_fraction: float | None = None
    block_fraction_sd: float | None = None
    report: str | None = None
    inverse: bool = False

    def __post_init__(self) -> None:
        if (self.block_fraction is None) != (self.block_fraction_sd is None):
            raise InputError(
                f"contrast {self.name}: block_fraction and block_fraction_sd",
                got=(self.block_fraction, self.block_fraction_sd),
                allowed="both or neither",
                do="State the standard uncertainty of the lot's block fraction; an unknown one is not zero.",
            )
