"""A figure of a report with its words and the table behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stanch.report.numbers import NumberView
from stanch.report.svg import embedded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Plate", "make_plate", "plain", "steps"]


@dataclass(frozen=True)
class Plate:
    """A figure with its words and the table behind it.

    Parameters
    ----------
    key : str
        Unique in the report.
    caption : str
    alt : str
        What the figure shows, in words.
    svg : str
    columns : tuple of str
    rows : tuple of tuple of str
    """

    key: str
    caption: str
    alt: str
    svg: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def make_plate(
    key: str,
    caption: str,
    alt: str,
    figure: Figure | None,
    columns: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
) -> Plate | None:
    """The plate; none where there is no figure."""
    from stanch.figures.style import to_svg

    if figure is None:
        return None
    return Plate(key, caption, alt, embedded(to_svg(figure), key, alt), columns, tuple(rows))


def steps(size: int, count: int = 13) -> list[int]:
    """Indices of `count` rows spread over a table of `size` rows [-]."""
    return sorted({round(k * (size - 1) / (count - 1)) for k in range(count)}) if size else []


def plain(n: NumberView) -> str:
    """A number in a sentence."""
    return f"{n.value} {n.unit}".strip()
