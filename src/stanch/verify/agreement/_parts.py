"""What a design contributes to an account."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from stanch.verify.records import Definition, Grid, Picture, Verdict


@dataclass
class Parts:
    """What a design contributes to the account."""

    design: list[str] = field(default_factory=list)
    verdicts: list[Verdict] = field(default_factory=list)
    grids: list[Grid] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    definitions: list[Definition] = field(default_factory=list)
    numbers: dict[str, Any] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    seeded: bool = False
