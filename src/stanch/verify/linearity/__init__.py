"""Linearity: do results follow the level in a straight line, as far as it matters?"""

from stanch.verify.linearity.deviation import (
    Deviation,
    Order,
    allowed_at,
    deviation_of_means,
    deviation_of_polynomial,
    lack_of_fit_of,
)
from stanch.verify.linearity.levels import Levels, gather
from stanch.verify.linearity.recovery import recovery_of_mixtures, recovery_of_values
from stanch.verify.linearity.span import Span, useful_range

__all__ = [
    "Deviation",
    "Levels",
    "Order",
    "Span",
    "allowed_at",
    "deviation_of_means",
    "deviation_of_polynomial",
    "gather",
    "lack_of_fit_of",
    "recovery_of_mixtures",
    "recovery_of_values",
    "useful_range",
]
