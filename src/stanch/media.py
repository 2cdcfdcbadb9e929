"""Names of the linear media that pushes are fitted with; the stage ``mechanics`` knows what they mean."""

from __future__ import annotations

from typing import Literal

__all__ = ["MODELS", "ModelName"]

ModelName = Literal["kelvin_voigt", "spring_pot", "fractional_kelvin_voigt", "zener"]
MODELS: tuple[ModelName, ...] = ("kelvin_voigt", "spring_pot", "fractional_kelvin_voigt", "zener")
