"""What the additives of the wells do: neutraliser, blocker, antifibrinolytic, tissue factor, and their null effects."""

from stanch.verify.reagents.additive import NullEffect, Residual, null_effect, residual_loss
from stanch.verify.reagents.block import BlockFraction, block_fraction
from stanch.verify.reagents.capacity import Capacity, CapacityDose, neutraliser_capacity
from stanch.verify.reagents.contact import Contact, contact_activation
from stanch.verify.reagents.ratio import ratio_of_totals

__all__ = [
    "BlockFraction",
    "Capacity",
    "CapacityDose",
    "Contact",
    "NullEffect",
    "Residual",
    "block_fraction",
    "contact_activation",
    "neutraliser_capacity",
    "null_effect",
    "ratio_of_totals",
    "residual_loss",
]
