"""One check of an installation."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Check"]


@dataclass(frozen=True)
class Check:
    """A number that was computed again, against what it must be.

    Parameters
    ----------
    area : str
        Part of the program it exercises.
    name : str
        What is computed.
    source : str
        Slug of the published source, or ``this run`` for a check of operation.
    expected, found : float
        In the unit of the name [unit].
    tolerance : float
        Largest distance allowed [unit].
    """

    area: str
    name: str
    source: str
    expected: float
    found: float
    tolerance: float

    @property
    def passed(self) -> bool:
        """Whether the number found is as near as it must be."""
        return math.isfinite(self.found) and abs(self.found - self.expected) <= self.tolerance
