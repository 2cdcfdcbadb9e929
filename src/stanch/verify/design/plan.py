"""A study to be planned, as data."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Kind", "Plan"]

NORMAL = "Results are normally distributed and independent of each other."
PAIRED = "The differences of the pairs are normally distributed and independent of each other."
LOGS = "The logarithms of the ratios are normally distributed and independent of each other."
JUDGED = (
    "One-sided error {alpha:g}. The {protocol} protocol judges by the end of a two-sided 95 % interval unless told "
    "otherwise: plan with --alpha 0.025 for it."
)
FORMULA = "own derivation from the definition of the analysis; checked by simulation"


@dataclass(frozen=True)
class Plan:
    """A study to be planned.

    Parameters
    ----------
    counted : str
        What its number counts.
    shows : str
        What its success is, in words.
    power : callable
        From the number and a factor on the assumed scatter to the probability of success [-].
    assumptions : tuple of str
    source : str
    start : int
        Smallest number it can have.
    scatter : str
        What is 20 % off when the scatter is; empty where there is none.
    repeats : int or None
        Simulated studies behind each power; null for a formula.
    uneven : bool
        Whether the power does not rise evenly, since counts are whole numbers.
    most : int
        Largest number looked at.
    costly : bool
        Whether a power takes long, so that pictures have fewer points.
    """

    counted: str
    shows: str
    power: Callable[[int, float], float]
    assumptions: tuple[str, ...]
    source: str
    start: int = 2
    scatter: str = "the assumed standard deviation"
    repeats: int | None = None
    uneven: bool = False
    most: int = 1_000_000
    costly: bool = False


@dataclass(frozen=True)
class Kind:
    """A kind of study: the options it needs, those it may have with their defaults, and how its plan is made.

    Parameters
    ----------
    needs : tuple of str
        Options by key.
    may : mapping of str to object
    make : callable
        From all options to a plan.
    """

    needs: tuple[str, ...]
    may: Mapping[str, Any]
    make: Callable[[Mapping[str, Any]], Plan]
